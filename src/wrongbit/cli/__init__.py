"""The command line: one module a verb. It opens files, prints, and turns errors into exit codes."""
