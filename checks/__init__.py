"""The checks, one module for each exposure."""
