"""The tables that a report's result can depend on, as its data carry them.

A region's own tables go whole: which of them does not hold, and why, is part of a refusal. Of what all
regions share go the methods and materials that the region's tables name, the methods of the values, the
crops of the plan, the notes that can be printed in the region, and the sources of all these. To advise by
them is to advise by all tables; tests hold that for every region and for values drawn at random.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from interpretation.agronomy.tables import TableSet
from service.books import OF_REGION, OF_SHARED, SHARED, Written, canonical, merged, plain, read

KINDS = tuple(sorted(OF_SHARED.keys() | OF_REGION.keys()))
SETS_KEPT = 8
Names = Mapping[str, frozenset[str]]  # ids of the records of each kind


@dataclass(frozen=True)
class Need:
    """What a report asks of the tables: the region, and what its values, plan and equations name."""

    region: str
    crops: frozenset[str]
    methods: frozenset[str]
    conversions: frozenset[str]


def need_of(
    values: Iterable[Mapping[str, Any]], samples: Sequence[Mapping[str, Any]], convert: Iterable[str]
) -> Need:
    """Tell what a report asks of the tables; all samples of a field are in one region."""
    crops = {str(each[name]) for each in samples for name in ("crop", "previous_crop")}
    return Need(
        str(samples[0]["region"]), frozenset(crops - {""}), frozenset(str(each["method"]) for each in values),
        frozenset(convert),
    )  # fmt: skip


def names_needed(tables: TableSet, need: Need) -> Names:
    """Find the records that a result can depend on, by kind."""
    region = need.region
    scales = {name for name, each in tables.scales.items() if each.region == region}
    rates = {name for name, each in tables.rates.items() if each.region == region}
    equations = {name for name, each in tables.conversions.items() if each.region == region}
    equations |= need.conversions & tables.conversions.keys()
    methods = need.methods | {tables.scales[name].method for name in scales}
    methods |= {method for name in rates if (method := tables.rates[name].method)}
    for name in equations:
        methods |= {tables.conversions[name].from_method, tables.conversions[name].to_method}
    materials = {name for each in rates for name in tables.rates[each].materials}
    own = tables.regions.get(region)
    heard = {region, *(own.cautions_of if own else ())}
    found = {
        "conversions": equations, "crops": need.crops & tables.crops.keys(),
        "materials": materials & tables.materials.keys(),
        "methods": methods & tables.methods.keys(),
        "notes": {key for key, note in tables.notes.items() if not note.regions or heard & {*note.regions}},
        "rates": rates, "regions": {region} & tables.regions.keys(), "scales": scales,
    }  # fmt: skip
    cited = {
        source for kind in found if kind != "crops" for name in found[kind]
        for source in getattr(tables, kind)[name].sources
    }  # fmt: skip
    cited |= {one.source for name in found["materials"] for one in tables.materials[name].bulk_densities}
    found["sources"] = cited & tables.sources.keys()
    return {kind: frozenset(names) for kind, names in found.items()}


def pruned(tables: TableSet, need: Need) -> TableSet:
    """The needed records alone, in the order of their ids, as a release has them."""
    return tables_of(_plainly(tables, names_needed(tables, need)), need.region)


def _plainly(tables: TableSet, names: Names) -> Written:
    return {
        kind: {name: plain(getattr(tables, kind)[name]) for name in sorted(names[kind])} for kind in KINDS
    }


def tables_of(records: Written, region: str) -> TableSet:
    """Read carried records again.

    Raises
    ------
    pydantic.ValidationError
        If a record is none.
    """
    return merged([read(SHARED, records), read(region, records)])


@dataclass
class _Texts:
    """What was written of one set of tables before: most reports of a batch carry the same."""

    tables: TableSet
    records: dict[tuple[str, str], str] = field(default_factory=dict)
    wholes: dict[Need, str] = field(default_factory=dict)

    def whole(self, need: Need) -> str:
        if (known := self.wholes.get(need)) is not None:
            return known
        names = names_needed(self.tables, need)
        kinds = (f"{canonical(kind)}:{{{self._kind(kind, names[kind])}}}" for kind in KINDS)
        made = self.wholes[need] = f"{{{','.join(kinds)}}}"
        while len(self.wholes) > 1000:
            del self.wholes[next(iter(self.wholes))]
        return made

    def _kind(self, kind: str, names: Iterable[str]) -> str:
        return ",".join(f"{canonical(name)}:{self._record(kind, name)}" for name in sorted(names))

    def _record(self, kind: str, name: str) -> str:
        key = kind, name
        if key not in self.records:
            self.records[key] = canonical(plain(getattr(self.tables, kind)[name]))
        return self.records[key]


_written: OrderedDict[int, _Texts] = OrderedDict()
_lock = Lock()


def carried_text(tables: TableSet, need: Need) -> str:
    """Write the needed records as canonical JSON (RFC 8785): kind, id, record."""
    with _lock:
        texts = _written.get(id(tables))
        if texts is None or texts.tables is not tables:  # another set may get the number of one that is gone
            texts = _written[id(tables)] = _Texts(tables)
        _written.move_to_end(id(tables))
        while len(_written) > SETS_KEPT:
            _written.popitem(last=False)
        return texts.whole(need)
