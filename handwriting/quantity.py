"""Numbers that know their unit, their uncertainty and, when they are missing, the reason.

An uncertainty part is *common* when the same error hits every mark on the page (the scale), and *independent* when
it falls afresh on each mark (where one edge lies). Only independent parts shrink as more marks are measured.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """One line of an uncertainty budget: `size` is a standard uncertainty in the unit of the value it belongs to."""

    name: str
    size: float
    common: bool


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its unit and 95 % interval.

    Parameters
    ----------
    value, low, high : float
        The value and the ends of its 95 % interval, in `unit`.
    unit : str
        ``mm``, ``deg``, ``1`` (a ratio), ``%``, ``letters/min``, ``count``, or a compound such as ``mm/line``.
    n : int
        How many marks, gaps, letters or lines the value rests on.
    parts : tuple of Part
        The uncertainty budget.
    flags : tuple of str
        Codes from `flags.FLAGS` that qualify this value.
    """

    value: float
    unit: str
    low: float
    high: float
    n: int
    parts: tuple[Part, ...] = ()
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A measure that could not be made: the flag's code and the reason in words. Never 0, NaN or None."""

    flag: str
    why: str


Quantity = Measured | NotMeasured
