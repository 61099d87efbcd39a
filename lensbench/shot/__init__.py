"""One photograph of the chart, measured."""
