"""From observations and rules to a review: checks, scores, decisions, priorities. No network."""

__all__ = ["completeness", "counts", "judge_rows", "judgement", "review", "rules"]
