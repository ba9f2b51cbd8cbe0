"""From observations and rules to a review: checks, scores, decisions, priorities. No network."""
