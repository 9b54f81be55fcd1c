"""The tables of a store, by version, and the steps from each earlier version to the present one.

``user_version`` of the file holds the version, ``application_id`` says that it is a store of ours. A step is written
once, when a version is released, and never changed; a file of every released version lies among the tests and has to
open, migrate and give back what was put into it.
"""

from __future__ import annotations

#: "hwst" in ASCII, signed 32 bit.
APPLICATION_ID = 0x68777374

_VERSION_1 = """
CREATE TABLE pupil (
  id INTEGER PRIMARY KEY,
  code TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE sample (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  pupil INTEGER NOT NULL REFERENCES pupil(id) ON DELETE CASCADE,
  rescan_of INTEGER REFERENCES sample(id) ON DELETE SET NULL,
  date TEXT NOT NULL,
  term TEXT NOT NULL, setting TEXT NOT NULL, task TEXT NOT NULL, instruction TEXT NOT NULL,
  paper TEXT NOT NULL, tool TEXT NOT NULL, hand TEXT NOT NULL, supervised TEXT NOT NULL,
  effort INTEGER, said TEXT NOT NULL,
  grade INTEGER, age_months INTEGER,
  text TEXT NOT NULL,
  ruling TEXT NOT NULL, pitch_mm REAL,
  page_sha256 TEXT NOT NULL, page_number INTEGER NOT NULL,
  program TEXT NOT NULL,
  kept_at TEXT NOT NULL, kept_by TEXT NOT NULL, keep_until TEXT NOT NULL
) STRICT;
CREATE INDEX sample_of_pupil ON sample (pupil, date);
CREATE INDEX sample_by_date ON sample (date);
CREATE INDEX sample_due ON sample (keep_until);
CREATE TABLE figures (
  sample INTEGER PRIMARY KEY REFERENCES sample(id) ON DELETE CASCADE,
  measures TEXT NOT NULL
) STRICT;
CREATE TABLE revision (
  id INTEGER PRIMARY KEY,
  sample INTEGER NOT NULL REFERENCES sample(id) ON DELETE CASCADE,
  at TEXT NOT NULL, by TEXT NOT NULL,
  record BLOB NOT NULL
) STRICT;
CREATE INDEX revision_of_sample ON revision (sample);
CREATE TABLE picture (
  sample INTEGER PRIMARY KEY REFERENCES sample(id) ON DELETE CASCADE,
  blanked TEXT NOT NULL,
  png BLOB NOT NULL
) STRICT;
CREATE TABLE correction (
  id INTEGER PRIMARY KEY,
  sample INTEGER NOT NULL REFERENCES sample(id) ON DELETE CASCADE,
  at TEXT NOT NULL, by TEXT NOT NULL,
  what TEXT NOT NULL
) STRICT;
CREATE INDEX correction_of_sample ON correction (sample);
CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  at TEXT NOT NULL, by TEXT NOT NULL, what TEXT NOT NULL,
  sample INTEGER
) STRICT;
"""

#: Step i leads from version i to version i + 1; version 0 is an empty file.
STEPS: tuple[str, ...] = (_VERSION_1,)


def statements(step: str) -> list[str]:
    """Return the statements of a step; steps hold no semicolon within one."""
    return [s.strip() for s in step.split(";") if s.strip()]
