"""Figures and terms in words."""
