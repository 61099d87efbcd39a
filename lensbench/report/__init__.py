"""Results as JSON, tables, plots, HTML and PDF; nothing is computed here."""
