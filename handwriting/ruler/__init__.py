"""A rule with millimetres that lies in the picture, found by its ticks."""

from handwriting.ruler.find import NoRuler, Ruler, find_ruler

__all__ = ["NoRuler", "Ruler", "find_ruler"]
