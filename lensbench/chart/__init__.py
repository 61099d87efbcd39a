"""The chart: its layout as data, its drawing, and finding it in a picture."""
