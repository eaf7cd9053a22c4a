"""``advise`` over partitions: the same to the last bit, refused clearly, begun again where it was left."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import boto3
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from interpretation.agronomy.advise import advise
from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from service.settings import read_settings
from service.work import datakeys
from service.work.adviserows import tables_of
from service.work.dataset import SAMPLES, VALUES, Place, partition_names, place, write_partitions
from service.work.executors import Alone, SchedulerLost, WorkerLost, open_crew
from service.work.partitions import DONE, SUMMARY, advise_data
from tests.app import test_command_line_convert
from tests.app.server.s3 import BUCKET, s3_store, stored, use_store
from tests.app.test_command_line import Command, answer, command
from tests.app.work.machines import machines
from tests.benchmarks import bench_advise

__all__ = ["command"]  # the fixture

DEMO = Path(__file__).parents[3] / "service" / "demo"
SOUND = Path(__file__).parents[2] / "broken_tables" / "sound"
KINDS = ("classed", "amounts", "notes")
KEYS = {
    "classed": ("lab_number", "analyte", "method"), "amounts": ("lab_number", "nutrient"),
    "notes": ("lab_number", "note"),
}  # fmt: skip
SAMPLES_IN_ALL = 400
SAID_ALIKE = ("class_name", "table", "below", "standard_uncertainty", "borderline")


@pytest.fixture(scope="module")
def tables() -> TableSet:
    return bench_advise.tables()


@pytest.fixture(scope="module")
def whole(tables: TableSet) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, bytes]]:
    """Values, samples, and what one call of advise says of all of them."""
    values = bench_advise.soil_values(SAMPLES_IN_ALL * bench_advise.PER_SAMPLE)
    samples = bench_advise.context(values)
    return values, samples, as_bytes(there_and_back(tables_of(advise(values, tables, samples))))


def as_bytes(tables: dict[str, pa.Table]) -> dict[str, bytes]:
    """Tables in one order of rows, to the last bit."""
    found = {}
    for kind, table in tables.items():
        file = pa.BufferOutputStream()
        ordered = table.sort_by([(key, "ascending") for key in KEYS[kind]]).combine_chunks()
        parquet.write_table(ordered.replace_schema_metadata(None), file)
        found[kind] = file.getvalue().to_pybytes()
    return found


def there_and_back(tables: dict[str, pa.Table]) -> dict[str, pa.Table]:
    """Tables as a file gives them back: with what files say of types besides."""
    found = {}
    for kind, table in tables.items():
        file = pa.BufferOutputStream()
        parquet.write_table(table, file)
        found[kind] = parquet.read_table(pa.BufferReader(file.getvalue()))
    return found


def results(out: Path) -> dict[str, bytes]:
    """What was written, all partitions together."""
    found = {}
    for kind in KINDS:
        paths = sorted(out.rglob(f"*.{kind}.parquet"))
        found[kind] = pa.concat_tables([parquet.read_table(path, partitioning=None) for path in paths])
    return as_bytes(found)


def split(data: Path, values: pd.DataFrame, samples: pd.DataFrame, most: int = 100) -> Path:
    write_partitions(place(str(data)), values, samples, most)
    return data


@pytest.fixture
def data(tmp_path: Path, whole: tuple[pd.DataFrame, pd.DataFrame, Any]) -> Path:
    """A data set of four partitions."""
    values, samples, _ = whole
    return split(tmp_path / "data", values, samples)


@pytest.mark.parametrize("most", [16, 37, 150, 10_000])
def test_any_partitions_give_the_same_to_the_last_bit(
    tmp_path: Path, whole: tuple[pd.DataFrame, pd.DataFrame, dict[str, bytes]], tables: TableSet, most: int
) -> None:
    values, samples, expected = whole
    order = np.random.default_rng(most).permutation(len(samples))
    shuffled = samples.iloc[order], values.sample(frac=1, random_state=most)
    split(tmp_path / "data", shuffled[1], shuffled[0], most)
    summary, _ = advise_data(Alone(), str(tmp_path / "data"), str(tmp_path / "out"), tables)
    assert results(tmp_path / "out") == expected
    assert summary.counts["samples"] == SAMPLES_IN_ALL
    assert len(summary.partitions) == {16: 25, 37: 12, 150: 3, 10_000: 1}[most]


def test_processes_give_the_same_to_the_last_bit(
    tmp_path: Path, data: Path, whole: tuple[Any, Any, dict[str, bytes]], tables: TableSet
) -> None:
    with open_crew(read_settings(workers=2)) as crew:
        advise_data(crew, str(data), str(tmp_path / "out"), tables)
    assert results(tmp_path / "out") == whole[2]


def test_a_cluster_gives_the_same_to_the_last_bit(
    tmp_path: Path, data: Path, whole: tuple[Any, Any, dict[str, bytes]], tables: TableSet
) -> None:
    with machines(tmp_path / "cluster") as cluster, open_crew(cluster.settings_to_join()) as crew:
        advise_data(crew, str(data), str(tmp_path / "out"), tables)
    assert results(tmp_path / "out") == whole[2]


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A store that speaks the S3 protocol, with an empty bucket."""
    with s3_store() as address:
        use_store(address, monkeypatch)
        place.cache_clear()
        yield
    place.cache_clear()


@pytest.mark.usefixtures("store")
def test_a_store_gives_the_same_to_the_last_bit_and_is_not_asked_twice(
    tmp_path: Path, whole: tuple[pd.DataFrame, pd.DataFrame, dict[str, bytes]], tables: TableSet
) -> None:
    values, samples, expected = whole
    data, out = f"s3://{BUCKET}/2026/data", f"s3://{BUCKET}/2026/out"
    write_partitions(place(data), values, samples, 100)
    with open_crew(read_settings(workers=2)) as crew:
        summary, before = advise_data(crew, data, out, tables)
    assert (before, len(summary.partitions)) == (0, 4)
    for name, content in stored().items():
        copy = tmp_path / name
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(content)
    assert results(tmp_path / "2026" / "out") == expected
    made = stored()
    boto3.client("s3").delete_object(Bucket=BUCKET, Key="2026/out/part-00002.notes.parquet")
    again, before = advise_data(Alone(), data, out, tables)
    assert (again, before) == (summary, 3)
    assert stored() == made


@pytest.mark.usefixtures("store")
def test_a_store_without_the_bucket_says_so(tables: TableSet) -> None:
    with pytest.raises(FurrowsliceError) as caught:
        advise_data(Alone(), "s3://elsewhere/data", f"s3://{BUCKET}/out", tables)
    assert "s3://elsewhere/data" in str(caught.value)
    assert stored() == {}


def test_partitions_may_lie_in_folders_and_have_text_codes_and_whole_numbers(
    tmp_path: Path, data: Path, whole: tuple[Any, Any, dict[str, bytes]], tables: TableSet
) -> None:
    """As other programs write them."""
    for path in sorted(data.iterdir()):
        number = path.name.partition(".")[0].removeprefix("part-")
        target = data / f"region=vale/{int(number) % 2}" / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        table = parquet.read_table(path)
        for name, kind in (
            ("region", "coded"),
            ("unit", "coded"),
            ("cores", "int32"),
            ("sampled_on", "date32"),
        ):
            if name in table.column_names:
                column = table[name].dictionary_encode() if kind == "coded" else table[name].cast(kind)
                table = table.set_column(table.column_names.index(name), name, column)
        parquet.write_table(table.append_column("remark", pa.nulls(len(table))), target)
        path.unlink()
    summary, _ = advise_data(Alone(), data.as_uri(), (tmp_path / "out").as_uri(), tables)
    assert results(tmp_path / "out") == whole[2]
    assert summary.partitions[0].name == "region=vale/0/part-00000"


# What the rows say is what a report says -------------------------------------------------------------


def rows(out: Path, kind: str) -> list[dict[str, Any]]:
    paths = sorted(out.rglob(f"*.{kind}.parquet"))
    return [row for path in paths for row in parquet.read_table(path).to_pylist()]


def test_the_rows_say_what_the_lists_say(command: Command, tmp_path: Path) -> None:
    lists = (DEMO / "bench.csv", "--samples", DEMO / "samples.csv")
    plain = command("advise", *lists, "--json")
    made = answer(
        command("partition", *lists, "--rows", 2, "--out", tmp_path / "data", "--json"), "partition"
    )
    done = command("advise", tmp_path / "data", "--workers", 1, "--out", tmp_path / "out", "--json")
    told = answer(done, "advise-partitions")
    assert (done.status, told["done_before"]) == (plain.status, 0)
    assert [each["name"] for each in told["summary"]["partitions"]] == made["partitions"]
    fields = answer(plain, "advise")["fields"]
    classed = {
        (row["lab_number"], row["analyte"], row["method"]): row for row in rows(tmp_path / "out", "classed")
    }
    results = [result for field in fields for result in field["results"]]
    assert len(results) == len(classed) == told["summary"]["counts"]["values"]
    for result in results:
        row = classed[result["lab_number"], result["analyte"], result["method"]]
        assert {name: row[name] for name in SAID_ALIKE} == {name: result[name] for name in SAID_ALIKE}
        assert row["reported"] == result["value"]
        assert row["refusal"] == (result["refusal"]["key"] if result["refusal"] else "")
        said = [each["probability"] for each in result["probabilities"]]
        assert [round(float(each), 4) for each in row["probability"]] == said
    amounts = {(row["lab_number"], row["nutrient"]): row for row in rows(tmp_path / "out", "amounts")}
    given = [amount for field in fields for amount in field["amounts"]]
    assert len(given) == len(amounts)
    for amount in given:
        row = amounts[amount["lab_number"], amount["nutrient"]]
        assert (row["rate"], row["table"]) == (amount["rate"], amount["table"])
        assert amount["rate"] is None or row["unit"] == amount["unit"]
    refused = sum(each["refusal"] is not None for each in (*results, *given))
    counts = told["summary"]["counts"]
    assert counts["values_refused"] + counts["amounts_refused"] == refused
    notes = {(row["field_id"], row["note"]) for row in rows(tmp_path / "out", "notes")}
    assert notes == {(field["field_id"], note["key"]) for field in fields for note in field["notes"]}


def test_a_value_that_was_worked_out_keeps_what_was_measured(command: Command, tmp_path: Path) -> None:
    (tmp_path / "samples.csv").write_text(test_command_line_convert.SAMPLES)
    (tmp_path / "values.csv").write_text(test_command_line_convert.VALUES)
    lists = (tmp_path / "values.csv", "--samples", tmp_path / "samples.csv")
    command("partition", *lists, "--out", tmp_path / "data")
    shared = ("--tables", SOUND, "--workers", 1)
    command("advise", tmp_path / "data", *shared, "--out", tmp_path / "as-it-is")
    command(
        "advise", tmp_path / "data", *shared, "--out", tmp_path / "turned",
        "--convert", test_command_line_convert.NAME,
    )  # fmt: skip
    ((plain,), (turned,)) = (rows(tmp_path / name, "classed") for name in ("as-it-is", "turned"))
    assert (plain["method"], plain["class_name"], plain["measured_value"]) == ("olsen", None, None)
    assert (turned["method"], turned["class_name"], turned["reported"]) == ("bray", "high", 29.0)
    assert (turned["measured_method"], turned["measured_value"]) == ("olsen", 20.4)
    assert turned["measured_conversion"] == test_command_line_convert.NAME


# Begun again -------------------------------------------------------------------------------------------


def changes(out: Path) -> dict[str, int]:
    """Each file with when it was last put there."""
    return {str(path.relative_to(out)): path.stat().st_ino for path in out.rglob("*.parquet")}


def test_what_was_done_is_not_done_again(tmp_path: Path, data: Path, tables: TableSet) -> None:
    out = tmp_path / "out"
    first, none = advise_data(Alone(), str(data), str(out), tables)
    before = changes(out)
    again, all_of_them = advise_data(Alone(), str(data), str(out), tables)
    assert (none, all_of_them) == (0, 4)
    assert changes(out) == before
    assert again == first


def spoil_input(data: Path, out: Path) -> None:
    path = data / f"part-00002{VALUES}"
    table = parquet.read_table(path)
    parquet.write_table(
        table.set_column(table.column_names.index("value"), "value", table["value"]), path, compression="none"
    )


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_input,
        lambda data, out: (out / "part-00002.amounts.parquet").unlink(),
        lambda data, out: (out / "part-00002.notes.parquet").write_bytes(b"half"),
        lambda data, out: (out / f"part-00002{DONE}").unlink(),
        lambda data, out: (out / f"part-00002{DONE}").write_text("{"),
    ],
    ids=["input", "gone", "half", "no-record", "bad-record"],
)
def test_what_is_missing_or_was_made_from_something_else_is_done_again(
    tmp_path: Path, data: Path, whole: Any, tables: TableSet, spoil: Callable[[Path, Path], object]
) -> None:
    out = tmp_path / "out"
    advise_data(Alone(), str(data), str(out), tables)
    before = changes(out)
    spoil(data, out)
    _, done_before = advise_data(Alone(), str(data), str(out), tables)
    assert done_before == 3
    after = changes(out)
    assert {name for name in after if after[name] != before[name]} <= {
        f"part-00002.{kind}.parquet" for kind in KINDS
    }
    assert results(out) == whole[2]


def test_other_tables_or_equations_are_not_taken_for_the_same(
    tmp_path: Path, data: Path, tables: TableSet
) -> None:
    out = tmp_path / "out"
    advise_data(Alone(), str(data), str(out), tables)
    notes = {name: note for name, note in tables.notes.items() if name != "top"}
    summary, done_before = advise_data(Alone(), str(data), str(out), replace(tables, notes=notes))
    assert done_before == 0
    assert "top" not in {row["note"] for row in rows(out, "notes")}
    assert json.loads((out / SUMMARY).read_text())["tables"] == summary.tables


class Stopped(Exception):  # noqa: N818
    """Somebody has pulled the plug."""


def test_a_run_that_was_killed_is_taken_up_again(
    tmp_path: Path, data: Path, whole: Any, tables: TableSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, written = tmp_path / "out", []
    plain = Place.write

    def write(self: Place, name: str, content: bytes) -> None:
        written.append(name)
        if name == "part-00002.notes.parquet":
            raise Stopped
        plain(self, name, content)

    monkeypatch.setattr(Place, "write", write)
    with pytest.raises(Stopped):
        advise_data(Alone(), str(data), str(out), tables)
    assert not (out / SUMMARY).exists()
    assert not (out / f"part-00002{DONE}").exists()
    monkeypatch.setattr(Place, "write", plain)
    assert advise_data(Alone(), str(data), str(out), tables)[1] == 2
    assert results(out) == whole[2]


class Careless:
    """Those whose first worker dies over every partition, so many times."""

    def __init__(self, deaths: int, kind: type[WorkerLost]) -> None:
        self.deaths, self.kind = deaths, kind

    def run(self, function: Callable[[Any], Any], orders: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
        self.deaths -= 1
        for order in orders:
            yield order, function(order) if self.deaths < 0 else self.kind("gone")


@pytest.mark.parametrize(("deaths", "kind"), [(2, WorkerLost), (9, SchedulerLost)])
def test_a_partition_that_a_worker_was_lost_over_is_given_out_again(
    tmp_path: Path, data: Path, whole: Any, tables: TableSet, deaths: int, kind: type[WorkerLost]
) -> None:
    advise_data(Careless(deaths, kind), str(data), str(tmp_path / "out"), tables)
    assert results(tmp_path / "out") == whole[2]


def refused(data: Path, tables: TableSet, **other: Any) -> FurrowsliceError:
    with pytest.raises(FurrowsliceError) as caught:
        advise_data(
            other.get("hands", Alone()), str(data), str(other.get("out", data.parent / "out")), tables
        )
    assert not (data.parent / "out" / SUMMARY).exists()
    return caught.value


def test_a_partition_that_kills_three_workers_is_given_up(data: Path, tables: TableSet) -> None:
    said = refused(data, tables, hands=Careless(3, WorkerLost))
    assert said.what.startswith("3 workers one after the other came to an end over this partition")
    assert "(3 more of the partitions cannot be used)" in said.what
    assert (said.where, said.fix) == ("partition part-00000", "make smaller partitions")


# Refused -----------------------------------------------------------------------------------------------


def change(path: Path, column: str, to: Callable[[pa.ChunkedArray], Any] | None) -> None:
    """Write a file of a partition with another column, or without it."""
    table = parquet.read_table(path)
    at = table.column_names.index(column)
    made = table.remove_column(at) if to is None else table.set_column(at, column, to(table[column]))
    parquet.write_table(made.replace_schema_metadata(None), path)


@pytest.mark.parametrize(
    ("ending", "column", "to", "what", "expected"),
    [
        (VALUES, "basis", None, "the column basis is missing", "lab_number, analyte"),
        (SAMPLES, "near_water", None, "the column near_water is missing", "lab_number, label"),
        (VALUES, "value", lambda was: was.cast("float32"), "the column value holds float", "64-bit numbers"),
        (VALUES, "value", lambda was: was.cast("str"), "the column value holds string", "64-bit numbers"),
        (SAMPLES, "label", lambda was: pa.array(range(len(was))), "the column label holds int64", "texts"),
        (SAMPLES, "example", lambda was: was.cast("int8"), "the column example holds int8", "true or false"),
        (SAMPLES, "sampled_on", lambda was: was.cast(pa.timestamp("us", "UTC")),
         "the column sampled_on holds timestamp[us, tz=UTC]", "days, or times without a zone"),
    ],
)  # fmt: skip
def test_a_column_that_does_not_fit_is_refused_before_anything_is_done(
    data: Path, tables: TableSet, ending: str, column: str, to: Any, what: str, expected: str
) -> None:
    change(data / f"part-00003{ending}", column, to)
    said = refused(data, tables)
    assert (said.what, said.where) == (what, f"part-00003{ending}")
    assert said.expected.startswith(expected)
    assert not (data.parent / "out").exists()


def test_a_column_that_is_there_twice(data: Path, tables: TableSet) -> None:
    path = data / f"part-00001{VALUES}"
    table = parquet.read_table(path)
    parquet.write_table(table.append_column("unit", table["unit"]), path)
    assert refused(data, tables).what == "the column unit is there twice"


@pytest.mark.parametrize(("column", "expected"), [("unit", "an empty text"), ("analyte", "an empty text")])
def test_a_text_that_is_not_there(data: Path, tables: TableSet, column: str, expected: str) -> None:
    change(
        data / f"part-00001{VALUES}",
        column,
        lambda was: pa.array([*was.to_pylist()[:5], None, *was.to_pylist()[6:]]),
    )
    said = refused(data, tables)
    assert (said.what, said.where) == (f"the column {column} has nothing in row 6", f"part-00001{VALUES}")
    assert said.expected.startswith(expected)


def of_row(path: Path, column: str, row: int) -> str:
    return str(parquet.read_table(path)[column][row])


def test_a_lab_number_that_is_there_twice(data: Path, tables: TableSet) -> None:
    other = of_row(data / f"part-00003{SAMPLES}", "lab_number", 7)
    change(data / f"part-00001{SAMPLES}", "lab_number", lambda was: pa.array([other, *was.to_pylist()[1:]]))
    said = refused(data, tables)
    assert said.what == f"lab number {other} is listed twice"
    assert said.where.endswith("data, partition part-00001 and partition part-00003")
    assert not (data.parent / "out").exists()


def test_a_lab_number_that_is_there_twice_in_one_partition(data: Path, tables: TableSet) -> None:
    other = of_row(data / f"part-00001{SAMPLES}", "lab_number", 7)
    change(data / f"part-00001{SAMPLES}", "lab_number", lambda was: pa.array([other, *was.to_pylist()[1:]]))
    said = refused(data, tables)
    assert (said.what, said.where.split(", ")[1]) == (
        f"lab number {other} is listed twice",
        "partition part-00001",
    )


def test_a_field_in_two_partitions(data: Path, tables: TableSet) -> None:
    field = of_row(data / f"part-00000{SAMPLES}", "field_id", 0)
    change(data / f"part-00002{SAMPLES}", "field_id", lambda was: pa.array([*was.to_pylist()[:-1], field]))
    said = refused(data, tables)
    assert said.what == f"samples of field {field} are in two partitions"
    assert said.where.endswith("partition part-00000 and partition part-00002")
    assert "put them together" in said.fix


def test_texts_of_one_key_are_not_taken_for_one_text(
    tmp_path: Path, data: Path, whole: Any, tables: TableSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = datakeys._hashes
    monkeypatch.setattr(datakeys, "_hashes", lambda texts: plain(texts) % np.uint64(50))
    advise_data(Alone(), str(data), str(tmp_path / "out"), tables)
    assert results(tmp_path / "out") == whole[2]
    test_a_field_in_two_partitions(split(tmp_path / "other" / "data", whole[0], whole[1]), tables)


def test_what_advise_refuses_is_told_with_its_partition(data: Path, tables: TableSet) -> None:
    change(data / f"part-00002{SAMPLES}", "crop", lambda was: pa.array(["teff"] * len(was)))
    said = refused(data, tables)
    assert said.what == "unknown crop 'teff'"
    assert said.where.startswith("partition part-00002, lab number L")
    done = sorted(path.name.partition(".")[0] for path in (data.parent / "out").glob(f"*{DONE}"))
    assert done == ["part-00000", "part-00001", "part-00003"]  # the others were worked out meanwhile


def test_a_value_apart_from_its_sample(data: Path, tables: TableSet) -> None:
    other = of_row(data / f"part-00003{SAMPLES}", "lab_number", 7)
    change(data / f"part-00001{VALUES}", "lab_number", lambda was: pa.array([other, *was.to_pylist()[1:]]))
    said = refused(data, tables)
    assert other in str(said)
    assert said.where.startswith("partition part-00001")


def test_a_damaged_file(data: Path, tables: TableSet) -> None:
    path = data / f"part-00001{VALUES}"
    path.write_bytes(path.read_bytes()[:-20])
    said = refused(data, tables)
    assert said.what.startswith("the file cannot be read: ")
    assert said.where.endswith(f"data/part-00001{VALUES}")


def test_a_partition_of_one_file(data: Path, tables: TableSet) -> None:
    (data / f"part-00001{SAMPLES}").unlink()
    assert refused(data, tables).what == f"there is part-00001{VALUES} and no part-00001{SAMPLES}"
    (data / f"part-00001{VALUES}").rename(data / f"part-00009{SAMPLES}")
    assert refused(data, tables).what == f"there is part-00009{SAMPLES} and no part-00009{VALUES}"


def test_a_folder_without_partitions(tmp_path: Path, tables: TableSet) -> None:
    (tmp_path / "data").mkdir()
    said = refused(tmp_path / "data", tables)
    assert said.what == "there is no partition"
    assert "furrowslice partition" in said.fix


@pytest.mark.parametrize("out", ["data", "data/inside", "."])
def test_results_do_not_go_into_the_data(tmp_path: Path, data: Path, tables: TableSet, out: str) -> None:
    said = refused(data, tables, out=tmp_path / out)
    assert said.what == "results cannot be written into the data set itself"


def test_results_of_another_data_set_are_not_mixed_in(tmp_path: Path, data: Path, tables: TableSet) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / f"other{DONE}").write_text("{}")
    said = refused(data, tables)
    assert said.what.startswith("the folder holds results of the partition other, which")


@pytest.mark.parametrize("url", ["http://host/data", "memory://data", "file://host/data", "s3://"])
def test_a_place_of_another_kind(url: str) -> None:
    with pytest.raises(FurrowsliceError) as caught:
        place(url)
    assert caught.value.what == f"partitions cannot be kept at {url!r}"


@pytest.mark.parametrize(
    "url", ["s3://key:secret@bucket/data", "s3://secret@bucket", "https://secret@host/d"]
)
def test_credentials_in_the_address_of_a_place_are_refused_and_not_repeated(url: str) -> None:
    with pytest.raises(FurrowsliceError, match="partitions cannot be kept at") as caught:
        place(url)
    assert "secret" not in str(caught.value)


# The commands ------------------------------------------------------------------------------------------


def test_the_command_says_what_it_did(command: Command, tmp_path: Path) -> None:
    lists = (DEMO / "bench.csv", "--samples", DEMO / "samples.csv")
    made = command("partition", *lists, "--rows", 2, "--out", tmp_path / "data")
    assert made.out == f"24 samples in 6 partitions: {(tmp_path / 'data').as_uri()}\n"
    for before in ("", ", 6 of them done before"):
        done = command("advise", tmp_path / "data", "--workers", 1, "--out", tmp_path / "out")
        assert done.out.startswith(f"24 samples in 6 partitions{before}.\n")
        assert done.out.endswith(f"a summary: {(tmp_path / 'out').as_uri()}\n")


def test_partitions_are_not_made_twice_in_one_place(command: Command, tmp_path: Path) -> None:
    lists = (DEMO / "bench.csv", "--samples", DEMO / "samples.csv")
    command("partition", *lists, "--out", tmp_path)
    done = command("partition", *lists, "--out", tmp_path)
    assert done.status == 2
    assert "there is a partition part-00000 already" in done.err


def test_options_that_do_not_belong_together(command: Command, tmp_path: Path) -> None:
    done = command("advise", DEMO / "bench.csv")
    assert (done.status, "there is no list of samples" in done.err) == (2, True)
    lists = (DEMO / "bench.csv", "--samples", DEMO / "samples.csv")
    for option in (("--workers", 2), ("--scheduler", "tls://10.0.0.5:1"), ("--out", tmp_path)):
        done = command("advise", *lists, *option)
        assert (done.status, f"{option[0]}: this option is for a folder" in done.err) == (2, True)
    done = command("advise", tmp_path, "--scheduler", "tcp://10.0.0.5:8786")
    assert (done.status, "not reached over TLS" in done.err) == (2, True)


def test_a_field_is_never_split_and_partitions_are_filled(tmp_path: Path, whole: Any) -> None:
    samples = whole[1].head(7).assign(field_id=["a", "b", "b", "c", "d", "d", "d"])
    values = whole[0][whole[0]["lab_number"].isin(samples["lab_number"])]
    split(tmp_path, values, samples, 2)
    found = [
        parquet.read_table(tmp_path / f"{name}{SAMPLES}")["field_id"].to_pylist()
        for name in partition_names(place(str(tmp_path)))
    ]
    assert found == [["a"], ["b", "b"], ["c"], ["d", "d", "d"]]
