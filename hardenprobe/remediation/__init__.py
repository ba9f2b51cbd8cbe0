"""The changes that findings call for: prerequisites, impact, coordination, rollback and lock-out risk."""

__all__ = ["fit"]
