"""Results as JSON, tables, plots, HTML and PDF; nothing is computed here.

Three doors: `json_form` for documents on standard output, `words` for the plain answer, and `writing` for the
folders of a sweep and of a comparison. They are imported by name, since only the last draws plots.
"""
