"""Results as JSON, tables, plots, HTML and PDF; nothing is computed here. Every file is a door of its own."""
