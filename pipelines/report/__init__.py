"""Figures and pages of the results."""
