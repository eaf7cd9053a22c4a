"""Every error the science raises on purpose, as one tree.

::

    FurrowsliceError
    ├── RunFileError        a run file cannot be read as declared (file, row, column)
    ├── RunError            the file was read, but it does not describe a run
    ├── CalibrationError    no curve can be fitted, or the one fitted cannot be inverted
    ├── PreparationError    ratio, dilution, blank or moisture make no soil value possible
    ├── BasisError          two values of different form, unit or basis were about to meet
    ├── SampleListError     a list of samples or soil values cannot be read as declared
    ├── TableError          a table file breaks a rule (file, line)
    │   └── FormulaError    a formula is not arithmetic over the listed names (position)
    └── NoTableApplies      no table covers this region, crop, method, basis, depth and day

A message says what happened, where, what was expected and how to mend it; :class:`FurrowsliceError`
keeps the four apart so that a command line, a page and an API can each lay them out.
"""

from typing import Any


class FurrowsliceError(Exception):
    """Base of all deliberate errors.

    Parameters
    ----------
    what
        What is wrong, one sentence.
    where
        File, row and column, or the cup, table or sample concerned.
    expected
        What would have been right.
    fix
        What the reader can do about it.
    """

    def __init__(self, what: str, *, where: str = "", expected: str = "", fix: str = "") -> None:
        self.what, self.where, self.expected, self.fix = what, where, expected, fix
        super().__init__(what, where, expected, fix)

    def __reduce__(self) -> tuple[Any, ...]:
        """Let the error travel between processes as it is, whatever its class takes to be made."""
        return _made_anew, (type(self), self.args), self.__dict__

    def __str__(self) -> str:
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.expected:
            parts.append(f"Expected: {self.expected}")
        if self.fix:
            parts.append(f"To fix it: {self.fix}")
        return "\n".join(parts)


def _made_anew(kind: type[FurrowsliceError], said: tuple[str, ...]) -> FurrowsliceError:
    return kind.__new__(kind, *said)


class RunFileError(FurrowsliceError):
    """A run file cannot be read as its layout declares."""


class RunError(FurrowsliceError):
    """A run file was read, but what it says is not a run."""


class CalibrationError(FurrowsliceError):
    """No calibration curve can be fitted or inverted."""


class PreparationError(FurrowsliceError):
    """The sample preparation does not lead to a soil value."""


class BasisError(FurrowsliceError):
    """Values of different form, unit or basis were about to be compared."""


class SampleListError(FurrowsliceError):
    """A list of samples or soil values cannot be read as declared."""


class TableError(FurrowsliceError):
    """A table file breaks a rule."""


class FormulaError(TableError):
    """A formula is not arithmetic over the listed names."""


class NoTableApplies(FurrowsliceError):  # noqa: N818 - reads as the sentence it is
    """No table covers the value asked about.

    ``failed`` names what did not match in the nearest table, e.g. ``("method", "day")``; it is
    ``("region",)`` or ``("analyte",)`` when there is no table to come near to. ``nearest`` names the tables
    in which just this did not match.
    """

    failed: tuple[str, ...] = ()
    nearest: tuple[str, ...] = ()
