"""Evidence that an auditor can take away: a BagIt bag of a review, signed, stamped, checked and read without the store."""

__all__ = [
    "bag_source",
    "container",
    "content",
    "importing",
    "pack",
    "pseudonyms",
    "reading",
    "reperformance",
    "revocation",
    "self_test",
    "source",
    "stamping",
    "trace",
    "verify",
]
