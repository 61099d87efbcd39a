"""The files that a report is written to: page, PDF, tables, JSON."""
