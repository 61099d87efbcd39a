"""The public interface, behind `import lensbench`: what users of Python call, and what the commands call.

Each function takes paths as text or `Path` and one record of options, and gives one result record, whose `.to_json()`
is the document that the command prints with `--json`, and whose `.to_pandas()` is its main table.
"""
