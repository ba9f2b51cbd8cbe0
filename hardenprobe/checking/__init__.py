"""What a check is made of: the `Check` record, outcomes, what absence means, and shared views of observations."""

__all__ = ["absence", "check", "views"]
