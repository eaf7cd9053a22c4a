"""What was found, as boards: the answer in a sentence, the scale, a lane for each sample and earlier year.

A field of many samples gets one lane for all of them, and a table with the class of each.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from interpretation.results import ClassLimit, FieldAdvice, SoilResult
from reports import lanes
from reports.charts import CLASS_FILLS, class_colour, scale
from reports.findings import (
    NUTRIENTS,
    Places,
    adequate,
    class_name,
    finding,
    is_close,
    is_silent,
    with_scale,
    written_value,
)
from reports.format import printed, soil_unit
from reports.front import Board, BoardRow, ClassCell, ClassTable, Found
from reports.view import BarGroup, BarRow, EarlierResult, Finding
from reports.wording import Wording

MANY = 12  # more samples than this share one lane
MOST_EARLIER = 5  # years that are drawn
ANALYTES_ACROSS = 6  # of the table of many samples
Pair = tuple[SoilResult, BarRow]


def found(
    advice: FieldAdvice,
    groups: Sequence[BarGroup],
    places: Places,
    wording: Wording,
    earlier: Sequence[EarlierResult] = (),
) -> tuple[Found, ...]:
    """Set every analyte out; those without any class come last, together.

    Parameters
    ----------
    advice
        What was found.
    groups
        Its bars, as :func:`reports.findings.bar_groups` draws them.
    places, wording
        Names of the samples, words.
    earlier
        Values of earlier years. Only those of the same analyte, by the same method and in the same unit
        are set beside this year's.
    """
    drawn, silent = [], []
    for results, group in zip(with_scale(advice), groups, strict=True):
        pairs = list(zip(results, group.rows, strict=True))
        if is_silent(results):
            silent += _without_lane(pairs, places, wording, group.title)
            continue
        said = _crowd_finding(results, places, wording) or finding(results, places, wording)
        board = _Boards(group, places, wording)
        shown = board.of(pairs, _of_the_same_test(results[0], earlier), _labels(advice))
        drawn.append(Found(said.sentences, said.outlook, tuple(shown)))
    if silent:
        names = list(dict.fromkeys(row.who[0] for row in silent))
        sentence = wording.page("found-unclassed-all", nutrients=wording.format.join(names))
        drawn.append(Found(sentence, "", (Board("", "", None, tuple(silent)),)))
    return tuple(drawn)


def _crowd_finding(results: list[SoilResult], places: Places, wording: Wording) -> Finding | None:
    """Say of many samples where a crop may run short: the boxes below count them class by class."""
    first = adequate(results[0])
    if len(places.order) <= MANY or results[0].analyte not in NUTRIENTS or first is None:
        return None
    kinds: dict[str, list[str]] = {"short": [], "enough": [], "unclassed": [], "missing": [], "close": []}
    for result in results:
        index = result.class_index
        measured = result.value is not None or result.below is not None
        kind = "unclassed" if measured else "missing"
        if index is not None:
            kind = "enough" if index >= first else "short"
        kinds[kind].append(result.lab_number)
        if is_close(result):
            kinds["close"].append(result.lab_number)
    if kinds["short"]:
        kinds["enough"] = []
    keys = ("found-crowd-short", "found-crowd-enough", "found-unclassed-more", "found-missing-more")
    name = wording.name("analytes", results[0].analyte)
    said = [
        wording.page(key, nutrient=name, places=places.list(numbers))
        for key, numbers in zip((*keys, "found-close-some"), kinds.values(), strict=True)
        if numbers
    ]
    return Finding(name, " ".join(said), "")


def class_tables(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[ClassTable, ...]:
    """Set the class of every sample out, where there are too many samples for a lane each."""
    if len(places.order) <= MANY:
        return ()
    shown = [results for results in with_scale(advice) if not is_silent(results)]
    parts = (shown[at : at + ANALYTES_ACROSS] for at in range(0, len(shown), ANALYTES_ACROSS))
    return tuple(_class_table(part, places, wording) for part in parts)


def _class_table(groups: list[list[SoilResult]], places: Places, wording: Wording) -> ClassTable:
    by_sample = [{result.lab_number: result for result in results} for results in groups]
    head = tuple(
        (wording.name("analytes", results[0].analyte), printed(results[0].unit)) for results in groups
    )
    rows = tuple(
        (
            places.label(number),
            tuple(_class_cell(results.get(number), wording) for results in by_sample),
        )
        for number in places.order
    )
    return ClassTable(head, rows)


def _class_cell(result: SoilResult | None, wording: Wording) -> ClassCell:
    if result is None:
        return ClassCell("–", "", "")
    style = ""
    if result.class_index is not None and result.limits:
        fill, _ = class_colour(result.class_index, len(result.limits), adequate(result))
        style = f"c{CLASS_FILLS.index(fill)}"
    word = class_name(result, wording)
    if not word and (result.value is not None or result.below is not None):
        word = wording.page("no-class-word")
    return ClassCell(_number(result, wording), word, style)


class _Boards:
    """The boards of one analyte by one method: one for each scale that its samples are read on."""

    def __init__(self, group: BarGroup, places: Places, wording: Wording) -> None:
        self.group = group
        self.places = places
        self.wording = wording

    def of(self, pairs: list[Pair], earlier: list[EarlierResult], labels: dict[str, str]) -> list[Board]:
        """Part the samples by scale; earlier years stand above the samples they belong to."""
        on_scale = [pair for pair in pairs if pair[1].bar is not None]
        rest = [pair for pair in pairs if pair[1].bar is None]
        parts: dict[object, list[Pair]] = {}
        for pair in on_scale:
            parts.setdefault(_scale_key(pair[0]), []).append(pair)
        boards = []
        for part in parts.values():
            mine = earlier
            if len(parts) > 1:  # of other places nobody knows which scale they belong on
                here = {labels[result.lab_number] for result, _ in part}
                mine = [each for each in earlier if each.label in here]
            boards.append(self._board(part, mine, labels))
        if rest:
            rows = tuple(_without_lane(rest, self.places, self.wording))
            if boards:
                last = boards[-1]
                boards[-1] = Board(last.title, last.method, last.head, (*last.rows, *rows))
            else:
                boards.append(Board(self.group.title, self.group.method, None, rows))
        return boards

    def _board(self, pairs: list[Pair], earlier: list[EarlierResult], labels: dict[str, str]) -> Board:
        first, bar = pairs[0][0], pairs[0][1].bar
        assert bar is not None
        told = ", ".join(
            self.wording.page("limit-of-class", limit=tick.label, **{"class": self._word(limit)})
            for tick, limit in zip(bar.ticks, first.limits[1:], strict=True)
        )
        alt = self.wording.page(
            "alt-scale", nutrient=self.group.title, limits=told, **{"class": self._word(first.limits[0])}
        )
        rows = []
        if earlier:
            before = {each.label for each in earlier}
            again = [result for result, _ in pairs if labels[result.lab_number] in before]
            rows.append(self._years(again or [result for result, _ in pairs], earlier))
        if len(self.places.order) > MANY:
            rows.append(self._crowd([result for result, _ in pairs]))
        else:
            rows += [self._row(result, row) for result, row in pairs]
        return Board(self.group.title, self.group.method, lanes.head(bar, alt), tuple(rows))

    def _row(self, result: SoilResult, row: BarRow) -> BoardRow:
        assert row.bar is not None
        alt = self.wording.page(
            "alt-lane" if row.class_word else "alt-lane-no-class",
            sample=row.sample, value=row.value, **{"class": row.class_word},
        )  # fmt: skip
        named = any(segment.chosen and segment.lines for segment in row.bar.segments)
        value = row.value if named or not row.class_word else f"{row.class_word}: {row.value}"
        who = (row.sample,) if self.places.many else (self._when(result),)
        return BoardRow(who, lanes.lane(row.bar, alt), value, row.remark)

    def _when(self, result: SoilResult) -> str:
        return str(result.sampled_on.year) if result.sampled_on else self.places.label(result.lab_number)

    def _crowd(self, results: list[SoilResult]) -> BoardRow:
        first = results[0]
        counted = []
        for index, limit in enumerate(first.limits):
            many = sum(result.class_index == index for result in results)
            counted.append(self.wording.page("alt-count", count=str(many), **{"class": self._word(limit)}))
        values = [v for r in results if (v := r.value if r.value is not None else r.below) is not None]
        count = self.wording.page("crowd-count", count=str(len(results)))
        lane = lanes.crowd(
            self.wording.page("alt-crowd", nutrient=self.group.title, counts=", ".join(counted)),
            scale([limit.lower for limit in first.limits], first.scale_top),
            values, [result.class_index for result in results], adequate(first),
        )  # fmt: skip
        return BoardRow((count,), lane, span(results, self.wording), "")

    def _years(self, now: list[SoilResult], earlier: list[EarlierResult]) -> BoardRow:
        """Set earlier years out, and in words beside what the same places have now, where there are such."""
        first = now[0]
        visits = [
            (day, list(several))
            for day, several in groupby(
                sorted(earlier, key=lambda each: each.sampled_on), key=lambda each: each.sampled_on
            )
        ][-MOST_EARLIER:]
        years = [day.year for day, _ in visits]
        once = len(set(years)) == len(years)
        names = tuple(str(day.year) if once else self.wording.format.month(day) for day, _ in visits)
        drawn, told = [], []
        for name, (_, several) in zip(names, visits, strict=True):
            values = [each.value for each in several if each.value is not None]
            limits = [each.below for each in several if each.value is None and each.below is not None]
            mean = sum(values) / len(values) if values and not limits else None
            drawn.append((values, limits, mean))
            told.append(
                self.wording.page("earlier-year", year=name, value=self._told(values, limits, first.decimals))
            )
        told.append(
            self.wording.page(
                "earlier-now",
                value=self._told(
                    [r.value for r in now if r.value is not None],
                    [r.below for r in now if r.value is None and r.below is not None],
                    first.decimals,
                ),
            )
        )
        sentence = "; ".join(told)
        lane = lanes.years(
            self.wording.page("alt-years", nutrient=self.group.title, told=sentence),
            scale([limit.lower for limit in first.limits], first.scale_top), drawn,
        )  # fmt: skip
        return BoardRow(names, lane, sentence, "", "earlier")

    def _told(self, values: list[float], limits: list[float], decimals: int) -> str:
        """One year in figures: the value, the mean of several, or the limit they lie below."""
        write = self.wording.format
        if not limits:
            mean = write.number(sum(values) / len(values), decimals)
            if len(values) == 1:
                return mean
            return self.wording.page("earlier-mean", value=mean, count=str(len(values)))
        below = self.wording.page("below-value", value=write.plain(max(limits)))
        if not values:
            return below
        return write.join([below, *(write.number(value, decimals) for value in sorted(values))])

    def _word(self, limit: ClassLimit) -> str:
        return self.wording.name("classes", limit.name)


def span(results: Sequence[SoilResult], wording: Wording, *, interval: bool = True) -> str:
    """Write one value, with its interval if wanted, or from where to where several values go."""
    if len(results) == 1 and interval:
        return written_value(results[0], wording)
    measured = [result for result in results if result.value is not None or result.below is not None]
    if not measured:
        return wording.page("not-measured")
    ends = [
        _number(choose(measured, key=_position), wording) for choose in (min, max)
    ]  # fmt: skip
    unit = soil_unit(measured[0].unit)
    if ends[0] == ends[1]:
        return ends[0] + unit
    return wording.page("also-range", **{"from": ends[0], "to": ends[1]}) + unit


def _position(result: SoilResult) -> float:
    """Where a value stands among others; a value below a limit stands just under it."""
    if result.value is not None:
        return result.value
    return (result.below or 0.0) * (1 - 1e-9)


def _number(result: SoilResult, wording: Wording) -> str:
    if result.value is not None:
        return wording.format.number(result.value, result.decimals)
    return f"< {wording.format.plain(result.below)}" if result.below is not None else "–"


def _without_lane(pairs: list[Pair], places: Places, wording: Wording, title: str = "") -> list[BoardRow]:
    """Values that are on no scale, those with the same reason on one line."""
    reasons: dict[str, list[SoilResult]] = {}
    for result, row in pairs:
        reasons.setdefault(row.remark, []).append(result)
    rows = []
    for remark, results in reasons.items():
        here = places.list([result.lab_number for result in results]) if places.many else ""
        who = tuple(filter(None, (title, here))) or (places.label(results[0].lab_number),)
        rows.append(BoardRow(who, None, span(results, wording), remark))
    return rows


def _of_the_same_test(result: SoilResult, earlier: Sequence[EarlierResult]) -> list[EarlierResult]:
    mine = (result.analyte, result.method, result.unit)
    return [each for each in earlier if (each.analyte, each.method, each.unit) == mine]


def _labels(advice: FieldAdvice) -> dict[str, str]:
    return {sample.lab_number: sample.label for sample in advice.samples}


def _scale_key(result: SoilResult) -> tuple[object, ...]:
    return (result.limits, result.scale_top, result.adequate_from)
