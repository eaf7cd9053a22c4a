"""Small run files made in the tests: one good run as text, and ways to break it."""

from __future__ import annotations

from pathlib import Path

import pytest

from interpretation.errors import FurrowsliceError
from service.runfiles import read_run

FACTS = """\
Run,BR-0412
Laboratory,Quillwater Soil Laboratory
Analyte,P
Form,P
Method,bray1-1:10-colour
Reading,absorbance
Standards made in,bray-1 extractant
Date,2026-03-04
Operator,E. Rowe
Blank subtracted,no
Dilution applied,no
"""
TITLES = "Position,Kind,Id,Of,Nominal mg/L,Signal,Dilution,Excluded,Reason"
CUPS = (
    "1,blank,,,,0.002,,,",
    "2,standard,S1,,0.5,0.051,,,",
    "3,standard,S2,,1.0,0.101,,,",
    "4,sample,0012,,,0.063,,no,",
    "5,sample,1E5,,,0.082,10,no,",
    "6,sample,NA,,,0.071,,yes,bubble in the cell",
    "7,duplicate,0012 d,0012,,0.064,,,",
)
TITLE_ROW = FACTS.count("\n") + 2  # the empty line stands between
FIRST_CUP = TITLE_ROW + 1


def run_text(*cups: str, facts: str = FACTS, titles: str = TITLES) -> str:
    """A run file; without cups, the good run."""
    return "\n".join((facts, titles, *(cups or CUPS))) + "\n"


def write(folder: Path, content: str | bytes, name: str = "run.csv") -> Path:
    """Write a file as it is, line ends included."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def refused(path: Path, *parts: str, **settings: object) -> FurrowsliceError:
    """Read the run, expect a refusal whose message holds every part, and give it back."""
    with pytest.raises(FurrowsliceError) as caught:
        read_run(path, **settings)  # type: ignore[arg-type]
    message = str(caught.value)
    for part in (*parts, "Expected:", "To fix it:"):
        assert part in message, message
    return caught.value
