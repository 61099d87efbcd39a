"""Closed forms of optics: what a perfect lens, a pixel, defocus and motion do to sharpness."""
