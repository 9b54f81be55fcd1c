"""Measure handwriting on paper: a page goes in, one record comes out."""

__version__ = "0.1.0"
