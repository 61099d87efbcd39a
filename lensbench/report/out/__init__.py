"""The files that a report is written to: page, PDF, tables, JSON."""

from importlib import import_module


def load_writers() -> None:
    """Load what draws and writes, for whoever has nothing else to do just now."""
    for part in ("draw.render", "out.pdf", "out.card_sheet", "out.html"):
        import_module(f"lensbench.report.{part}")
