"""The command line: one module for each command, nothing heavy imported before it is needed."""
