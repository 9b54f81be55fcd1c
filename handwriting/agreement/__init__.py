"""The tool against human raters: read both tables, compare measure by measure, write what a paper needs."""
