"""Figures and paper."""
