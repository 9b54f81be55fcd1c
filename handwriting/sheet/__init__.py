"""Copying sheets that turn any printer and any camera into a measuring instrument: drawn, printed, read back."""
