"""Books as canonical JSON and back: the same records, with the order in which their author wrote them."""

from __future__ import annotations

import json

from service.books import KEY_ORDER, books_of, canonical, fingerprint, kinds_of, label, plain, read, written
from service.entries.writing import entries_of
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.small_world import rate


def test_every_shipped_record_comes_back_from_a_release_as_it_was() -> None:
    seen = 0
    for name, book in books_of(read_tables(tables_directory())).items():
        again = read(name, json.loads(canonical(written(name, book))))
        for kind in kinds_of(name):
            for record_id, record in getattr(book, kind).items():
                other = getattr(again, kind)[record_id]
                assert plain(other) == plain(record)
                assert again.fingerprints[label(kind, record_id)] == fingerprint(record)
                seen += 1
        assert entries_of(again, name) == entries_of(book, name)  # rows in their order, too
    assert seen > 600


def test_a_release_keeps_the_order_in_which_amounts_were_written() -> None:
    """Canonical JSON sorts keys: high, low, medium. A page shows them from low to high."""
    record = rate(
        by_class={"low": 30, "medium": 20, "high": 0}, values={"b": 1, "a": 2},
        credits=({"key": "crop", "by_previous_crop": {"soybean": 1, "alfalfa": 2}},),
    )  # fmt: skip
    said = json.loads(canonical({"rates": {record.id: plain(record)}}))
    assert said["rates"][record.id][KEY_ORDER] == {
        "by_class": ["low", "medium", "high"], "values": ["b", "a"],
        "credits/0/by_previous_crop": ["soybean", "alfalfa"],
    }  # fmt: skip
    again = read("vale", said).rates[record.id]
    assert again.by_class is not None
    assert again.credits[0].by_previous_crop is not None
    assert list(again.by_class) == ["low", "medium", "high"]
    assert list(again.values) == ["b", "a"]
    assert list(again.credits[0].by_previous_crop) == ["soybean", "alfalfa"]
    turned = rate(by_class={"high": 0, "low": 30, "medium": 20})
    assert KEY_ORDER not in plain(turned)  # canonical JSON has that order by itself
    assert fingerprint(turned) != fingerprint(rate(by_class={"low": 30, "medium": 20, "high": 0}))
