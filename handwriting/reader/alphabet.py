"""The signs the reader knows, and the one form each sign is written in.

Class 0 of the network is the blank of connectionist temporal classification (Graves et al. 2006); class `i` is
`ALPHABET[i - 1]`. `CROSSED_OUT` stands for one run of struck-out ink, whatever lies under it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

CROSSED_OUT = "█"
BLANK = 0

_MARKED = (
    "àáâãäåāăąæçćčďđðèéêëēėęěğģìíîïīįıķĺľļłñńňņòóôõöøőœŕřśšșßťțþùúûüūůűųýÿźżžŵŷ"
    "ÀÁÂÃÄÅĀĂĄÆÇĆČĎĐÐÈÉÊËĒĖĘĚĞĢÌÍÎÏĪĮİĶĹĽĻŁÑŃŇŅÒÓÔÕÖØŐŒŔŘŚŠȘŤȚÞÙÚÛÜŪŮŰŲÝŸŹŻŽŴŶ"
)
ALPHABET = (
    " abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
    + _MARKED
    + "0123456789"
    + ".,;:!?…'\"«»()[]{}/\\-_=+*%&#@°€$£§~^"
    + CROSSED_OUT
)
CLASSES = len(ALPHABET) + 1
INDEX = {sign: i + 1 for i, sign in enumerate(ALPHABET)}

# On paper these pairs are one sign: quotes, dashes, spaces, and the comma or cedilla below s and t.
_SAME = str.maketrans(
    {
        "’": "'", "‘": "'", "ʼ": "'", "´": "'", "`": "'", "“": '"', "”": '"', "„": '"',
        "–": "-", "—": "-", "−": "-", "‐": "-", "‑": "-", "\u00a0": " ", "\u202f": " ", "\t": " ",
        "ş": "ș", "Ş": "Ș", "ţ": "ț", "Ţ": "Ț", "×": "x",
    }
)  # fmt: skip


def canonical(text: str) -> str:
    """Give the text in the reader's own signs: composed letters, one kind of quote and dash, single spaces.

    Signs outside the alphabet stay as they are, so that a caller can find and report them.
    """
    return " ".join(unicodedata.normalize("NFC", text).translate(_SAME).split())


def encode(text: str) -> list[int]:
    """Class numbers of a canonical text; signs outside the alphabet are left out."""
    return [INDEX[sign] for sign in text if sign in INDEX]


def decode(classes: Iterable[int]) -> str:
    """Give the text of a run of class numbers, blanks left out."""
    return "".join(ALPHABET[i - 1] for i in classes if i != BLANK)


def without_marks(text: str) -> str:
    """Give the text with every diacritic taken off its letter (é gives e, ł gives l)."""
    plain = unicodedata.normalize("NFD", text.translate(str.maketrans("łŁøØđĐðÐı", "lLoOdDdDi")))
    return "".join(sign for sign in plain if not unicodedata.combining(sign))


def collapse(best: npt.NDArray[np.integer]) -> list[int]:
    """Best class of each frame, shape (T,) -> classes read: repeats merged, blanks dropped."""
    kept = np.concatenate([[True], best[1:] != best[:-1]]) if len(best) else np.zeros(0, bool)
    return [int(i) for i in best[kept] if i != BLANK]
