"""Registering samples: a list or a form becomes growers, farms, fields, visits and samples, or nothing.

Growers are never recognised by a name: two may have the same one. A grower is known by the laboratory's
number of the client; without one, each list makes its own, unless a registered field says whose it is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from interpretation.errors import SampleListError
from service.actions.samplelists import GrowerKey, ListedSamples, checked_list
from service.callers import Caller, Right
from service.refusals import Conflict, NotAllowed
from service.registration import OF_THE_GROWER
from service.samplefiles import Samples, read_samples
from service.site import Site
from service.store import registering as store
from service.store.database import Change

_VISIT = (
    "sampled_on", "crop", "yield_goal", "yield_unit", "previous_crop", "tillage", "irrigated",
    "limed_in_two_years", "manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha",
    "manured_since_harvest", "manured_in_three_years", "near_water", "tests_wanted", "example",
)  # fmt: skip
_OF_A_FIELD = ("field_name", "farm_name", "grower_name", "region", "county", "grower_id")
_YES_NO = ("irrigated", "limed_in_two_years", "manured_since_harvest", "manured_in_three_years")
_SAMPLE = (
    "lab_number", "label", "depth_from_cm", "depth_to_cm", "sampled_on", "received_on", "texture",
    "soil_group", "cores", "bulk_density_g_per_cm3", "lime_percent", "ph_water", "moisture_percent",
    "air_dry_moisture_percent", "soil_g", "extract_ml", "longitude", "latitude",
)  # fmt: skip


@dataclass(frozen=True)
class Registered:
    """What a list has added.

    ``waiting`` says in which released runs cups had waited for these samples, and how many: an analyst
    may release them now.
    """

    sample_ids: tuple[int, ...]  # in the order of the list
    sampling_ids: tuple[int, ...]
    new_fields: int
    new_growers: int
    waiting: dict[int, int]

    @property
    def samples(self) -> int:
        """How many samples were registered."""
        return len(self.sample_ids)


def register_list(site: Site, caller: Caller, file: Path, day: date | None = None) -> Registered:
    """Register a list of samples.

    Parameters
    ----------
    site, caller
        Where, and who asks.
    file
        As :func:`service.samplefiles.read_samples` reads it.
    day
        The day the samples came in, for rows that do not say; None leaves it unknown.

    Raises
    ------
    SampleListError
        If the list is not as described.
    Conflict
        If it disagrees with what is registered.
    NotAllowed
        If the caller may not register samples, or not in a county of the list.
    """
    samples = read_samples(file)
    return register_samples(site, caller, samples, day, digest=hashlib.sha256(file.read_bytes()).hexdigest())


def register_samples(
    site: Site, caller: Caller, samples: Samples, day: date | None = None, *, digest: str = ""
) -> Registered:
    """Register samples that were read; as :func:`register_list`. ``digest`` is the SHA-256 of their file."""
    listed = checked_list(_received(samples, day), site.tables)
    with site.database.change(caller, Right.REGISTER_SAMPLES) as change:
        return write_samples(change, listed, digest)


def write_samples(change: Change, listed: ListedSamples, digest: str = "") -> Registered:
    """Write checked samples as a part of a change that goes on; as :func:`register_list`."""
    _refuse_taken(change, listed)
    known = store.fields_by_code(change, listed.first_of_field)
    _check_counties(change, listed, known)
    for code, row in listed.first_of_field.items():
        if code in known:
            _check_field(change, listed, row, known[code])
    _place(change, listed, known)
    farms, new_growers = _farms(change, listed, known)
    fields, new_fields = _fields(change, listed, known, farms)
    visits = _visits(change, listed, fields)
    rows = zip(listed.rows(_SAMPLE), listed.field_of, strict=True)
    sample_ids = store.add_samples(change, [row | {"sampling_id": visits[code]} for row, code in rows])
    numbers = listed.columns["lab_number"]
    change.note(
        "register", "samples", sample_ids[0],
        after={
            "samples": len(listed), "first": numbers[0], "last": numbers[-1], "fields": len(fields),
            "new_fields": new_fields, "new_growers": new_growers, "sha256": digest,
        },
    )  # fmt: skip
    waiting = store.waiting_among(change, numbers)
    return Registered(tuple(sample_ids), tuple(visits.values()), new_fields, new_growers, waiting)


def _received(samples: Samples, day: date | None) -> Samples:
    """The samples with a day of receipt, where only the list as a whole has one."""
    if day is None:
        return samples
    received = samples.context["received_on"].fillna(np.datetime64(day, "us"))
    early = (received < samples.context["sampled_on"]).to_numpy()
    if early.any():
        row = int(early.argmax())
        raise SampleListError(
            f"lab number {samples.context['lab_number'].iloc[row]} was received before it was taken",
            where=f"row {samples.registration['row'].iloc[row]}",
            expected="a day of receipt on or after sampled_on",
            fix="correct the day of receipt of the list, or give the row its own received_on",
        )
    return replace(samples, context=samples.context.assign(received_on=received))


# ------------------------------------------------------------------------------------------------ checks


def _refuse_taken(change: Change, listed: ListedSamples) -> None:
    numbers = listed.columns["lab_number"]
    taken = set(store.taken_numbers(change, numbers))
    if taken:
        rows = [row for row, number in enumerate(numbers) if number in taken]
        few = ", ".join(numbers[row] for row in rows[:5]) + (", ..." if len(rows) > 5 else "")
        raise Conflict(
            f"{len(rows)} of the lab numbers are registered already: {few}",
            where=listed.where(rows[0]),
            expected="lab numbers that this laboratory has not given before",
            fix="take out the rows that were registered before, or correct the numbers",
        )


def _check_counties(change: Change, listed: ListedSamples, known: dict[str, store.KnownField]) -> None:
    """Counties exist, belong to the region, and are the caller's own."""
    own = change.scope.counties
    regions = store.regions_of_counties(change, {*listed.columns["county"]} - {""})
    for code, row in listed.first_of_field.items():
        county, region = listed.columns["county"][row], listed.columns["region"][row]
        if county and regions.get(county) != region:
            there = ", ".join(sorted(regions)) if county in regions else ""
            raise SampleListError(
                f"county {county} does not belong to region {region}"
                if there
                else f"unknown county {county!r}",
                where=f"{listed.where(row)}, column county",
                expected="the id of a county of this server, in the region of the field",
                fix="correct the id, or leave the cell empty; the administrator adds counties",
            )
        county = county or (known[code].county_id or "" if code in known else "")
        if own is not None and county not in own:
            raise NotAllowed(
                f"the field {listed.columns['field_id'][row]} is not in a county of yours"
                if county
                else f"the county of the field {listed.columns['field_id'][row]} is not given",
                where=f"{listed.where(row)}, column county",
                expected=f"one of your counties: {', '.join(sorted(own)) or 'none is set'}",
                fix="correct the county or the field id; fields elsewhere are registered by the laboratory",
            )


def _check_field(change: Change, listed: ListedSamples, row: int, known: store.KnownField) -> None:
    """What a list says of a field agrees with what is registered; blank cells say nothing.

    What is registered is not repeated in the message: it may be somebody else's.
    """
    cells = listed.picked(row, ("field_id", *_OF_A_FIELD))
    own = change.scope.counties
    foreign = own is not None and known.county_id not in own
    registered = {
        "field_name": known.name, "farm_name": known.farm_name, "grower_name": known.grower_name,
        "region": known.region, "county": known.county_id or cells["county"],
        "grower_id": known.grower_code or "",
    }  # fmt: skip
    differing = [name for name, value in registered.items() if cells[name] and cells[name] != value]
    if differing or foreign:
        what = f"is registered already, with another {' and another '.join(differing)}"
        raise Conflict(
            f"the field {cells['field_id']} {'is a field elsewhere' if foreign else what}",
            where=listed.where(row),
            expected="the same field as it is registered, or a field id of its own",
            fix="correct the row, or change what is registered on the field's or the grower's page; "
            "give another field its own field id",
        )


# ------------------------------------------------------------------------------------------------ writing


def _place(change: Change, listed: ListedSamples, known: dict[str, store.KnownField]) -> None:
    """Give a county to fields that were registered without one.

    Only the laboratory gets here: for agents such a field lies elsewhere. Without a county no agent looks
    after it, and nobody could tell or erase what is kept about its grower.
    """
    for code, row in listed.first_of_field.items():
        county = listed.columns["county"][row]
        if code in known and known[code].county_id is None and county:
            store.place_field(change, known[code].id, county)
            change.note("change", "field", known[code].id, after={"changed": ["county_id"]})


def _farms(
    change: Change, listed: ListedSamples, known: dict[str, store.KnownField]
) -> tuple[dict[tuple[GrowerKey, str], int], int]:
    """Farm of each grower and name of the list, found or made; and how many growers were made."""
    growers = _growers(change, listed, known)
    made = [key for key, grower_id in growers.items() if grower_id is None]
    for key, grower_id in zip(made, store.add_growers(change, _grower_rows(listed, made)), strict=True):
        growers[key] = grower_id
    ids = {key: grower_id for key, grower_id in growers.items() if grower_id is not None}
    there = store.farms_of(change, set(ids.values()))
    farms: dict[tuple[GrowerKey, str], int] = {}
    missing: dict[tuple[int, str], list[tuple[GrowerKey, str]]] = {}
    names: list[tuple[int, str]] = []
    new = [row for code, row in listed.first_of_field.items() if code not in known]
    for key, name in dict.fromkeys((listed.grower_of[row], listed.columns["farm_name"][row]) for row in new):
        wanted = (ids[key], name.casefold())
        if wanted in there:
            farms[key, name] = there[wanted]
        elif wanted in missing:
            missing[wanted].append((key, name))
        else:
            missing[wanted] = [(key, name)]
            names.append((ids[key], name))
    for pairs, farm_id in zip(missing.values(), store.add_farms(change, names), strict=True):
        farms |= dict.fromkeys(pairs, farm_id)
    return farms, len(made)


def _growers(
    change: Change, listed: ListedSamples, known: dict[str, store.KnownField]
) -> dict[GrowerKey, int | None]:
    """Grower of each key of the list; None for one that is to be made."""
    numbered = store.growers_by_code(change, {key[0] for key in listed.first_of_grower if len(key) == 1})
    growers: dict[GrowerKey, int | None] = dict.fromkeys(listed.first_of_grower)
    for key, row in listed.first_of_grower.items():
        if len(key) == 1 and key[0] in numbered:
            if not numbered[key[0]].own:
                # A field of the caller's would open the grower to them: numbers are easily guessed.
                raise Conflict(
                    f"the grower {key[0]} is a grower elsewhere",
                    where=listed.where(row),
                    expected="a grower who has a field in a county of yours, or a new number, or none",
                    fix="correct grower_id or leave it empty; the laboratory registers a first field of "
                    "theirs in your county",
                )
            name = listed.columns["grower_name"][row]
            if name and name != numbered[key[0]].name:
                raise Conflict(
                    f"the grower {key[0]} is registered already, with another grower_name",
                    where=listed.where(row),
                    expected="the name as it is registered, or an empty cell",
                    fix="correct grower_id or grower_name; a new name is written on the grower's page",
                )
            growers[key] = numbered[key[0]].id
    # Without a number the fields that are registered say whose the others of this list are, where they agree.
    said: dict[GrowerKey, set[int]] = {}
    for code, row in listed.first_of_field.items():
        if code in known and len(listed.grower_of[row]) > 1:
            said.setdefault(listed.grower_of[row], set()).add(known[code].grower_id)
    growers |= {key: next(iter(ids)) for key, ids in said.items() if len(ids) == 1}
    new = {listed.grower_of[row] for code, row in listed.first_of_field.items() if code not in known}
    return {key: grower_id for key, grower_id in growers.items() if key in new}


def _grower_rows(listed: ListedSamples, keys: Sequence[GrowerKey]) -> list[dict[str, Any]]:
    rows = []
    for key in keys:
        cells = listed.picked(listed.first_of_grower[key], ("grower_name", *OF_THE_GROWER))
        rows.append(
            {
                "code": key[0] if len(key) == 1 else None,
                "name": cells["grower_name"],
                "address": cells["grower_address"],
                "telephone": cells["grower_telephone"],
                "email": cells["grower_email"],
                "language": cells["language"] or "en",
                "units": cells["units"] or "metric",
                "mail_consent": cells["mail_consent"],
                "copy_to": cells["copy_to"],
                "copy_consent": cells["copy_consent"],
            }
        )
    return rows


def _fields(
    change: Change,
    listed: ListedSamples,
    known: dict[str, store.KnownField],
    farms: dict[tuple[GrowerKey, str], int],
) -> tuple[dict[str, int], int]:
    """Field of each folded field id of the list, found or made; and how many were made."""
    fields = {code: known[code].id for code in listed.first_of_field if code in known}
    made = [(code, row) for code, row in listed.first_of_field.items() if code not in known]
    rows = []
    for _, row in made:
        cells = listed.picked(row, ("field_id", "field_name", "farm_name", "county", "region", "area_ha"))
        rows.append(
            {
                "farm_id": farms[listed.grower_of[row], cells["farm_name"]],
                "code": cells["field_id"],
                "name": cells["field_name"],
                "county_id": cells["county"] or None,
                "region": cells["region"],
                "area_ha": cells["area_ha"],
            }
        )
    ids = store.add_fields(change, rows)
    return fields | {code: field_id for (code, _), field_id in zip(made, ids, strict=True)}, len(made)


def _visits(change: Change, listed: ListedSamples, fields: dict[str, int]) -> dict[str, int]:
    """One visit for each field of the list; its day is that of the first sample taken."""
    days: dict[str, date] = {}
    for code, day in zip(listed.field_of, listed.columns["sampled_on"], strict=True):
        days[code] = min(day, days.get(code, day))
    rows = []
    for code, row in listed.first_of_field.items():
        cells = listed.picked(row, (*_VISIT, "other_crops"))
        cells |= {name: None if cells[name] is None else bool(cells[name]) for name in _YES_NO}
        cells["other_crops"] = [crop for crop in cells["other_crops"].split(";") if crop]
        rows.append(cells | {"field_id": fields[code], "sampled_on": days[code]})
    return dict(zip(listed.first_of_field, store.add_samplings(change, rows), strict=True))
