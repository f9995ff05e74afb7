"""The command line: parse, call app, show."""
