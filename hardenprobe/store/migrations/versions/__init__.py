"""One module for each format; what a step makes stays as it was, whatever the tables are later."""
