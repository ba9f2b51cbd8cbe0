"""What several checks read out of observations in the same way."""
