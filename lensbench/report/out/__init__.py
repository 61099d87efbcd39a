"""The files of a report."""
