"""Quality flags in one frozen table: what each code means, what it does to the numbers, what to do about it.

A flag is trouble in the data, never an error. Every code that appears on a record comes from `FLAGS`; `flag` refuses
any other, so a code that is not explained here cannot reach a report. The limits are common practice, no source,
unless the entry names one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Flag:
    """One kind of trouble, in words for the reader of a report.

    Parameters
    ----------
    code : str
        Stable short name, lower case with hyphens.
    meaning : str
        What was found.
    effect : str
        What it does to the numbers that carry the flag.
    advice : str
        What a person can do about it.
    """

    code: str
    meaning: str
    effect: str
    advice: str


_TABLE = (
    # scale
    Flag(
        "no-scale",
        "The size of the page on paper is not known.",
        "Ratios and counts are given; nothing is given in millimetres.",
        "Scan at a known resolution, or give --dpi, or the distance between two printed rules with --rule-mm, or lay a "
        "ruler beside the page and give --ruler.",
    ),
    Flag(
        "scale-from-file-unchecked",
        "The scale is the resolution the file claims; nothing on the page confirms it.",
        "All millimetres share whatever error that claim has.",
        "Measure the distance between two printed rules with a ruler and give it with --rule-mm.",
    ),
    Flag(
        "scale-from-paper-size",
        "The scale comes from the picture's size alone, which is exactly that of a sheet scanned whole.",
        "All millimetres are wrong alike if the sheet was not scanned whole, or is of another size.",
        "Measure the distance between two printed rules with a ruler and give it with --rule-mm, or give --dpi.",
    ),
    Flag(
        "scale-conflict",
        "The resolution the file claims does not agree with the paper size or the rule spacing.",
        "The page may have been printed or scanned at another size; millimetres are doubtful.",
        "Measure the rule spacing on the sheet with a ruler and give it with --rule-mm.",
    ),
    Flag(
        "ruler-at-a-slant",
        "A ruler was found, but the scale changes from it to the far side of the picture.",
        "Ratios and counts are given; nothing is given in millimetres.",
        "Photograph page and ruler lying flat from straight above, or show all four edges of the sheet on a darker "
        "ground.",
    ),
    Flag(
        "low-resolution",
        "The page has fewer than 200 pixels to the inch.",
        "Edges are known less exactly, so intervals are wider.",
        "Scan again at 300 pixels to the inch, grey or colour.",
    ),
    # the page
    Flag(
        "no-ruling",
        "No printed rules were found.",
        "Distances to the rule are not given; drift is measured against the page.",
        "Nothing needs mending if the paper is plain; otherwise scan darker or in colour.",
    ),
    Flag(
        "straightened",
        "The page was photographed at a slant and was straightened by its four edges.",
        "Ratios are a little less sure, and millimetres are given only with the distance of the printed rules.",
        "Photograph the page from straight above, scan it, or use a copying sheet.",
    ),
    Flag(
        "turned",
        "The page was turned upright before measuring.",
        "None on the numbers if the picture in the report stands upright.",
        "Check that the picture in the report stands upright.",
    ),
    Flag(
        "skewed",
        "The page lies at more than 5 degrees to the scanner.",
        "Edges of letters are known slightly less exactly.",
        "Lay the page straight and scan again.",
    ),
    Flag(
        "faint",
        "The ink is faint against the paper.",
        "Thin strokes may be lost, so letters may read as small or broken.",
        "Scan again darker, in grey or colour, not in black and white.",
    ),
    Flag(
        "cut-off",
        "Writing touches the edge of the picture.",
        "Letters cut through there are measured as far as they show; words, line ends and counts there are not true.",
        "Scan again with the whole page in view.",
    ),
    Flag(
        "print-set-aside",
        "Printed text, boxes or pictures were found and set aside.",
        "They are not measured.",
        "Check on the page picture that no handwriting was set aside with them.",
    ),
    # the writing
    Flag(
        "few-letters",
        "Fewer than 30 letters.",
        "Spread is not given, and averages have wide intervals.",
        "Ask for a longer sample.",
    ),
    Flag(
        "few-gaps",
        "Fewer than 30 gaps between letters.",
        "Measures of those gaps have wide intervals.",
        "Ask for a longer sample; joined writing has few such gaps.",
    ),
    Flag(
        "few-words",
        "Fewer than ten words.",
        "Word spacing rests on few gaps and has a wide interval.",
        "Ask for a longer sample.",
    ),
    Flag(
        "few-lines",
        "Fewer than four lines of writing.",
        "Margin drift is not given, and intervals do not fully show how lines differ from each other.",
        "Ask for a longer sample, or for narrower paper.",
    ),
    Flag(
        "joined",
        "Most letters are joined.",
        "Space between letters rests on the few that are not joined.",
        "Nothing needs mending.",
    ),
    Flag(
        "words-unsure",
        "Gaps inside words and gaps between words overlap.",
        "Some words may be split or run together.",
        "Give the text with --text, or look at the words drawn on the page picture.",
    ),
    Flag(
        "crossed-out",
        "Writing was crossed out or written over.",
        "Those marks are left out of size, spacing and slant, and are counted apart.",
        "Check the marked places on the page picture.",
    ),
    Flag(
        "looks-crossed-out",
        "Some words look crossed out.",
        "They are measured like the rest until somebody says that they are.",
        "Look at the words marked on the page picture, and put them right.",
    ),
    Flag(
        "slant-unsure",
        "Two ways of measuring the slant disagree, or too few strokes carry it.",
        "The slant is doubtful.",
        "Look at the strokes drawn on the page picture.",
    ),
    # the task
    Flag(
        "short-task",
        "The task lasted less than two minutes.",
        "The rate may not stand for longer writing, and seconds lost at the start and end weigh more.",
        "Ask for at least two minutes; five are better.",
    ),
    Flag(
        "no-time",
        "The time taken was not given.",
        "Letters per minute are not given.",
        "Give the time with --seconds.",
    ),
    Flag(
        "no-count",
        "How many letters were written was not given.",
        "Letters per minute are not given.",
        "Give --letters, or --text with --reached, the last word written.",
    ),
    Flag(
        "counts-differ",
        "Two counts of the letters differ: by hand, up to the last word reached, or by the tool.",
        "The count by hand is used, or else the one up to the last word reached.",
        "Check the count, the text and the last word reached; words left out or repeated make them differ.",
    ),
    Flag(
        "counted-by-tool",
        "The letters were counted by the tool, which laid the writing against the text.",
        "The interval holds what the tool is unsure of; nobody has checked the count.",
        "Look at the words and the last word reached in the picture; put right what is wrong, or give --letters.",
    ),
    Flag(
        "letters-estimated",
        "The text is not known: the number of letters is an estimate from how the writing looks.",
        "The interval is wide; crossed-out words, digits and marks are left aside, spelling is not looked at.",
        "Count the letters and give --letters, or give the text with --text.",
    ),
    Flag(
        "text-not-found",
        "The writing was not laid against the text: the two do not agree well enough, or it was not asked for.",
        "What needs the text (letters by kind, words left out, the tool's count) is not given.",
        "Check that the text is the one that was copied.",
    ),
    Flag(
        "no-text",
        "The text that was copied was not given.",
        "What needs the text (letters by kind, words left out) is not given.",
        "Give the text with --text.",
    ),
    Flag(
        "few-minutes",
        "The places reached were marked for fewer than five minutes.",
        "The range shown is that of all pairs of minutes; it holds the true change less often than 19 times in 20.",
        "Mark the place reached at every minute of a task of five minutes or more.",
    ),
    Flag(
        "ticks-not-confirmed",
        "Coloured ticks were found beside the writing, and nobody confirmed them.",
        "The places reached at each minute are not used; the ticks are left out of the writing.",
        "Check the places listed, and measure again with --yes; or say the words reached with --minute.",
    ),
    Flag(
        "ticks-in-margin",
        "A tick in the margin tells the line reached, not the letter.",
        "The middle word of that line stands for it, so letters of that minute are known to half a line.",
        "Make the tick over the letter reached.",
    ),
    Flag(
        "undefined",
        "The formula has no value here (for example, every mark is the same, or an average is zero).",
        "The measure is not given.",
        "Look at the marks on the page picture.",
    ),
    Flag(
        "sheet-not-flat",
        "The sheet does not lie flat: its marks are off a flat page.",
        "Lengths and slopes vary a little from place to place.",
        "Take the picture again: lay the sheet flat, light it from the side, and fill the frame.",
    ),
    Flag(
        "sheet-shadow",
        "A strong shadow lies on the sheet.",
        "Faint strokes in it may be missed.",
        "Light the sheet evenly, from the side.",
    ),
    Flag(
        "sheet-glare",
        "Part of the sheet is washed out by a reflection.",
        "Strokes in it may be missing.",
        "Turn the flash off and light the sheet from the side.",
    ),
    Flag(
        "sheet-soft",
        "The picture of the sheet is soft: its blur is half as wide as a pen's line.",
        "The blur was taken out of the writing as far as that goes; sizes and stroke widths are less sure, and say so.",
        "Hold the camera still, wipe its lens, and come closer until the sheet fills the frame; or scan the sheet.",
    ),
    Flag(
        "sheet-marks-hidden",
        "Some of the sheet's square marks are covered, cut off or smudged.",
        "The scale rests on fewer marks; its uncertainty says so.",
        "Keep all the square marks in view.",
    ),
    Flag(
        "sheet-cut-off",
        "Part of the sheet's writing area lies outside the picture.",
        "What is written there is missing from every count and measure.",
        "Take the picture again with the whole sheet in view.",
    ),
    Flag(
        "sheet-page-alone",
        "This is a later page of a copying sheet, and the pages before it were not given.",
        "Letters, and letters per minute, are those of this page alone, whatever time was given.",
        "Measure all pages of the sample in one go.",
    ),
    Flag(
        "sheet-print-unchecked",
        "The sheet's 100 mm bar was not measured.",
        "Millimetres assume a print at full size; printed 'fit to page' they are 3 to 6 % too large.",
        "Lay a ruler on the bar and give what it shows with --bar-mm.",
    ),
    Flag(
        "sheet-print-size",
        "The scan's resolution says the sheet was not printed at full size.",
        "Millimetres assume a print at full size and are probably wrong by the difference.",
        "Lay a ruler on the bar and give what it shows with --bar-mm.",
    ),
    Flag(
        "sheet-print-uneven",
        "The scan's resolution says the sheet was printed at another scale across than down.",
        "Widths or heights in millimetres are wrong by up to the difference; ratios of the two are off by it.",
        "Print the sheet at full size ('100 %', not 'fit to page') from a program that keeps its shape.",
    ),
    Flag(
        "sheet-bar-conflict",
        "The length given for the sheet's 100 mm bar does not agree with the scan's resolution.",
        "One of them is wrong; millimetres follow the bar.",
        "Measure the bar again and check what was given with --bar-mm.",
    ),
)

FLAGS: Mapping[str, Flag] = MappingProxyType({entry.code: entry for entry in _TABLE})


def flag(code: str) -> Flag:
    """Return the entry for `code`.

    Raises
    ------
    KeyError
        When the code is not in the table: a mistake in the program, not in the data.
    """
    return FLAGS[code]
