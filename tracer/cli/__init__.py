"""The command line: parse, call a workflow, report."""
