"""The one way in and out for files, and the results that are kept."""
