"""When to test again, and whom to ask: both follow from the report alone."""

from __future__ import annotations

from datetime import date

from interpretation.results import FieldAdvice
from reports.actions import RETEST
from reports.findings import with_scale
from reports.front import Afterwards
from reports.view import LaboratoryCard
from reports.wording import Wording

# The note that states an interval, with its source: years from and to, as its sentence says.
RULE_YEARS = (3, 4)
# Common practice, where no note states an interval: a habit of the trade, in no table and from no source,
# and printed as a habit.
HABIT_YEARS = 3
# Common practice: what water carries off and microbes make anew within a season. No table gives it a date.
THIS_SEASON_ONLY = ("nitrate", "ammonium", "nitrite", "available-nitrogen")


def afterwards(
    advice: FieldAdvice, lab: LaboratoryCard, numbers: dict[str, int], wording: Wording
) -> Afterwards:
    """Say when to test again and whom to ask.

    Parameters
    ----------
    advice, lab
        What the report is made from.
    numbers
        The number of each source in the report's list.
    wording
        Words.
    """
    return Afterwards(_again(advice, numbers, wording), _ask(lab, wording))


def _again(advice: FieldAdvice, numbers: dict[str, int], wording: Wording) -> tuple[str, ...]:
    analytes = dict.fromkeys(group[0].analyte for group in with_scale(advice))
    fleeting = [name for name in analytes if name in THIS_SEASON_ONLY]
    said = []
    if len(fleeting) < len(analytes) or not analytes:
        said.append(_interval(advice, numbers, wording))
    if fleeting:
        names = wording.format.join([wording.name("analytes", name) for name in fleeting])
        said.append(wording.page("again-season", nutrients=names))
    return tuple(said)


def _interval(advice: FieldAdvice, numbers: dict[str, int], wording: Wording) -> str:
    """The interval with the one who states it; without such a note, the habit, and that it is one."""
    days = [sample.sampled_on for sample in advice.samples if sample.sampled_on is not None]
    note = next((note for note in advice.notes if note.key == RETEST), None)
    if note is None:
        told = {"from": wording.format.month(_later(max(days), HABIT_YEARS))} if days else {}
        return wording.page("again-habit" if days else "again-habit-no-day", **told)
    told = {}
    if days:
        first, last = (wording.format.month(_later(max(days), years)) for years in RULE_YEARS)
        told = {"from": first, "to": last}
    sentence = wording.page("again-rule" if days else "again-rule-no-day", **told)
    stated = [source for source in advice.sources if source.id in note.sources]
    publishers = dict.fromkeys(source.publisher or source.title for source in stated)
    if not publishers:
        return sentence
    own = set(publishers) == {advice.region_publisher}
    whose = wording.page(
        "again-source-own" if own else "again-source", publisher=wording.format.join(list(publishers)),
        numbers=", ".join(str(numbers[source.id]) for source in stated),
    )  # fmt: skip
    return f"{sentence} {whose}"


def _later(day: date, years: int) -> date:
    """The first of the same month so many years later: only month and year are told."""
    return date(day.year + years, day.month, 1)


def _ask(lab: LaboratoryCard, wording: Wording) -> tuple[tuple[str, str], ...]:
    reach = ", ".join(filter(None, (lab.contact, lab.phone)))
    asked = [
        (wording.page("ask-adviser"), lab.agent_name),
        (wording.page("ask-laboratory"), ", ".join(filter(None, (lab.name, reach)))),
        (wording.page("ask-extension"), wording.page("ask-extension-what")),
    ]
    return tuple((who, how) for who, how in asked if how)
