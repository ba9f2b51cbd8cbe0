"""Evidence that an auditor can take away: a BagIt bag of a review, signed, stamped, checked and read without the store."""
