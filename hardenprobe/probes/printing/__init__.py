"""The Internet Printing Protocol."""
