"""Writing and reading a region's tables in whichever form a file has."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from interpretation.errors import TableError
from service.bookfiles import datapackage, workbook, yamlfolder
from service.bookfiles.archives import unpack
from service.bookfiles.book import Book, Form
from service.bookfiles.datapackage import DESCRIPTOR
from service.entries.entry import Entry
from service.files import safe_name

ENDINGS = (".xlsx", ".zip", ".yaml")


def write(form: Form, region: str, entries: Iterable[Entry]) -> bytes:
    """Write entries of a region: a workbook, or an archive of CSV or YAML.

    Raises
    ------
    TableError
        If they cannot be written so that the same is read again.
    """
    writers = {
        "xlsx": workbook.write_workbook,
        "csv": datapackage.write_package,
        "yaml": yamlfolder.write_archive,
    }
    return writers[form](region, entries)


def write_one(form: Form, region: str, entry: Entry) -> bytes:
    """Write one table alone; as YAML it is the file of the folder, and no archive."""
    if form == "yaml":
        (text,) = yamlfolder.texts(region, [entry]).values()
        return text.encode()
    return write(form, region, [entry])


def file_name(form: Form, region: str, only: Sequence[Entry] = ()) -> str:
    """What a file is called: after the region, or after the one table in it."""
    stem = safe_name("-".join(filter(None, (region, *(each.id.removeprefix(f"{region}/") for each in only)))))
    return f"{stem}{'.xlsx' if form == 'xlsx' else f'.{form}.zip' if form == 'csv' or not only else '.yaml'}"


def read(name: str, content: bytes) -> Book:
    """Read a file of any of the forms, by the ending of its name and by what is in it.

    Parameters
    ----------
    name
        The file's name, for messages as well.

    Raises
    ------
    TableError
        In words, whatever the file is.
    """
    ending = name.rpartition(".")[2].casefold()
    if ending == "xlsx":
        return workbook.read_workbook(content, name)
    if ending in ("yaml", "yml"):
        return yamlfolder.read_file(content, name)
    if ending == "zip":
        files = unpack(content, name)
        inner = _without_folder(files)
        return datapackage.read_package(inner, name) if inner else yamlfolder.read_archive(files, name)
    raise TableError(
        f"a file ending in {ending[:20]!r} is not read here", where=name[:120],
        expected="a workbook (.xlsx), an archive (.zip) of CSV or YAML, or one table as .yaml",
        fix="save it in one of these forms",
    )  # fmt: skip


def _without_folder(files: dict[str, bytes]) -> dict[str, bytes]:
    """The files of a package of CSV without the folder that they were packed in; nothing if it is none."""
    folder = next((name.removesuffix(DESCRIPTOR) for name in files if name.endswith(DESCRIPTOR)), None)
    if folder is None or folder.count("/") > 1:
        return {}
    return {name.removeprefix(folder): content for name, content in files.items()}
