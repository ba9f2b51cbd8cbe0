"""One module a protocol: observations in, nothing judged."""
