"""The command line: one module for each command; they call ``workflow`` and print."""
