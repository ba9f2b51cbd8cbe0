"""Baselines and rule-sets: what is expected of which devices, dated and sourced."""
