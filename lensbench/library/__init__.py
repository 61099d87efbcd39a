"""Measured lenses in one file, and advice from them: which lens, which stop, for a focal length or a picture."""
