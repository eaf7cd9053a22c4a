"""What the code itself must hold, read off its syntax. Numbers are requirements of OWASP ASVS 5.0.0."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import extract_parameters

from service import passwords, tokens
from service.web.templates import environment

ROOT = Path(__file__).parents[3]
SERVICE = ROOT / "service"
TEMPLATES = sorted((SERVICE / "pages" / "templates").rglob("*.j2")) + sorted((ROOT / "reports").rglob("*.j2"))


def modules(folder: Path) -> list[Path]:
    return [path for path in sorted(folder.rglob("*.py")) if "versions" not in path.parts]


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    """Every call with the last part of what is called."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            yield (called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")), node


# ---------------------------------------------------------------- v5.0.0-1.2.4: parameterised queries only

RAW = {"text", "exec_driver_sql", "literal_column", "from_statement", "op", "prefix_with", "suffix_with"}


def made_of_constants(node: ast.expr, constants: set[str]) -> bool:
    """Whether a text is written out in the code, or put together from nothing but such texts."""
    if isinstance(node, ast.Constant):
        return True
    if isinstance(node, ast.Name):
        return node.id in constants
    if isinstance(node, ast.IfExp):
        return made_of_constants(node.body, constants) and made_of_constants(node.orelse, constants)
    if isinstance(node, ast.BinOp):
        return made_of_constants(node.left, constants) and made_of_constants(node.right, constants)
    if isinstance(node, ast.JoinedStr):
        parts = [part.value for part in node.values if isinstance(part, ast.FormattedValue)]
        return all(made_of_constants(part, constants) for part in parts)
    return False


def constants_of(tree: ast.Module) -> set[str]:
    """Names in capitals given a written text at the top of a module, and loops over written texts."""
    found = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
            found |= {each.id for each in node.targets if isinstance(each, ast.Name) and each.id.isupper()}
    for node in ast.walk(tree):
        written_out = isinstance(node, ast.For) and isinstance(node.iter, ast.Tuple)
        if written_out and all(isinstance(each, ast.Constant) for each in node.iter.elts):
            found.add(ast.unparse(node.target))
    return found


def raw_sql(source: str) -> list[int]:
    """Lines on which SQL is put together from something that is not written out in the code."""
    tree = ast.parse(source)
    constants = constants_of(tree)
    wrong = [
        node.lineno
        for name, node in calls(tree)
        if (
            name in RAW
            or (name == "execute" and node.args and isinstance(node.args[0], ast.JoinedStr | ast.BinOp))
        )
        and node.args
        and not made_of_constants(node.args[0], constants)
    ]
    return sorted(wrong)


def test_sql_is_never_put_together_from_values() -> None:
    found = {
        f"{path.relative_to(ROOT)}:{line}"
        for path in modules(SERVICE / "store")
        for line in raw_sql(path.read_text("utf-8"))
    }
    # Names of tables and of databases cannot be parameters; these come from the schema or from the program.
    assert {place.rpartition(":")[0] for place in found} <= NAMES_OF_TABLES


NAMES_OF_TABLES = {"service/store/keeping.py", "service/store/migrating.py"}


@pytest.mark.parametrize(
    "line",
    [
        'c.execute(sa.text(f"SELECT {x}"))', 'c.exec_driver_sql("a %s" % x)', "sa.text(x)",
        'sa.text("a {}".format(x))', 'sa.text("a" + x)', 'c.execute(f"DELETE FROM {x}")',
        "sa.literal_column(x)",
    ],
)  # fmt: skip
def test_the_reader_of_sql_sees_what_it_looks_for(line: str) -> None:
    assert raw_sql(line) == [1]


def test_the_reader_of_sql_lets_written_texts_pass() -> None:
    source = 'X = "x"\nfor p in ("a=1", "b=2"):\n    c.execute(f"PRAGMA {p}")\nsa.text("x")\nsa.text(X)'
    assert raw_sql(source) == []


# ------------------------- v5.0.0-1.2.1, 1.3.7: output is encoded; no template is built from what people type


# Pictures of a field's history are put together in Python for speed, from numbers alone: floats and years of
# the database, written by the locale. Whoever adds to these lists says what keeps typed text out.
TRUSTED_IN_TEMPLATES = {"land/field.html.j2": {"p.first|safe", "p.last|safe"}}
# Pictures of what a draft would do escape each text they draw; test_impact types one that would be a tag.
TRUSTED_IN_CODE = {
    "service/pages/drawing/years.py", "service/pages/drawing/flow.py", "service/pages/drawing/spread.py",
}  # fmt: skip


def test_everything_a_template_prints_is_escaped() -> None:
    assert environment().autoescape is True
    unsafe = re.compile(r"[\w.]+\s*\|\s*safe\b|\bMarkup\b|autoescape\s+false|\|\s*forceescape\b")
    folder = SERVICE / "pages" / "templates"
    found = {
        path.relative_to(folder).as_posix(): set(unsafe.findall(path.read_text("utf-8")))
        for path in TEMPLATES
        if path.is_relative_to(folder)
    }
    assert len(found) > 10
    assert {name: marks for name, marks in found.items() if marks} == TRUSTED_IN_TEMPLATES
    trusting = {
        path.relative_to(ROOT).as_posix() for path in modules(SERVICE) if "Markup" in path.read_text("utf-8")
    }
    assert trusting == TRUSTED_IN_CODE


def test_templates_come_from_files_of_our_own_alone() -> None:
    for folder in (SERVICE, ROOT / "reports"):
        for path in modules(folder):
            names = {name for name, _ in calls(ast.parse(path.read_text("utf-8")))}
            assert not names & {"from_string", "Template", "compile_expression", "compile_templates"}, path


def test_no_script_or_style_stands_in_a_page() -> None:
    """v5.0.0-3.4.3: the policy allows none, so a page that had one would be broken."""
    inline = re.compile(r"<script(?![^>]*\bsrc=)|\son[a-z]+=|\sstyle=|javascript:", re.IGNORECASE)
    wrong = [
        path.name
        for path in TEMPLATES
        if path.is_relative_to(SERVICE) and inline.search(path.read_text("utf-8"))
    ]
    assert wrong == []


# ----------------------------------------- v5.0.0-1.3.2, 1.5.2: nothing typed is ever run or unpickled


def test_nothing_is_evaluated_unpickled_or_given_to_a_shell() -> None:
    for path in modules(SERVICE):
        tree = ast.parse(path.read_text("utf-8"))
        imported = {
            alias.name.split(".")[0]
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
            for alias in (node.names if isinstance(node, ast.Import) else [ast.alias(node.module or "")])
        }
        assert not imported & {"pickle", "marshal", "shelve", "dill", "cloudpickle"}, path
        for name, node in calls(tree):
            plain = isinstance(node.func, ast.Name)
            assert not (plain and name in {"eval", "exec", "compile", "__import__"}), (path, node.lineno)
            assert name not in {"system", "popen"} or plain, (path, node.lineno)
            assert not any(key.arg == "shell" for key in node.keywords), (path, node.lineno)


# ------------------------------------------- v5.0.0-11.4.2, 11.5.1: hashing of passwords, random numbers


def test_passwords_are_hashed_with_argon2id_as_rfc_9106_advises() -> None:
    kept = passwords.hashed("teal kettle under nineteen maples")
    found = extract_parameters(kept)
    assert kept.startswith("$argon2id$")
    assert (found.memory_cost, found.time_cost, found.parallelism) == (64 * 1024, 3, 4)
    assert (found.salt_len, found.hash_len) == (16, 32)
    assert kept != passwords.hashed("teal kettle under nineteen maples")
    assert passwords.matches("teal kettle under nineteen maples", kept)
    assert not passwords.matches("teal kettle under nineteen maples ", kept)
    assert not passwords.matches("", "")


def test_secrets_come_from_the_systems_generator_and_are_long_enough() -> None:
    """v5.0.0-7.2.3: at least 128 bits; these have 256. UUIDs do not count."""
    assert {len(tokens.new_token()) for _ in range(50)} == {43}  # 256 bits in base 64
    assert len({tokens.new_token() for _ in range(50)}) == 50
    for path in modules(SERVICE):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                assert not {alias.name for alias in node.names} & {"random", "uuid"}, path
            if isinstance(node, ast.ImportFrom):
                assert node.module not in ("random", "uuid"), path


# ------------------------------------------ v5.0.0-8.2.3, 15.3.3: no field is taken that was not declared


READ_MEMBER_BY_MEMBER = {"load_places"}  # GeoJSON: service.actions.geojson takes the members it knows


def test_what_programs_send_is_declared_field_by_field() -> None:
    from service import api
    from service.api.common import Input

    assert Input.model_config["extra"] == "forbid"
    assert Input.model_config["frozen"] is True
    for part in api.PARTS:
        tree = ast.parse(Path(str(part.__file__)).read_text("utf-8"))
        taken = {"dict[str, Any]", "dict", "Any"}
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef) and node.decorator_list:
                for argument in node.args.args:
                    told = ast.unparse(argument.annotation) if argument.annotation else ""
                    free = told in taken and node.name not in READ_MEMBER_BY_MEMBER
                    assert not free, (part.__name__, node.name, argument.arg)


# ------------------------------------------------------------------- what the contributor's guide says of it


def test_every_proof_that_the_guide_names_is_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = guide.partition("\n## Security\n")[2].partition("\n## ")[0]
    named = set(re.findall(r"`(tests/[\w/]+\.py)`", section))
    named |= {f"tests/app/server/{name}.py" for name in re.findall(r"`(test_\w+)`", section)}
    assert len(named) > 15
    assert [name for name in sorted(named) if not (ROOT / name).is_file()] == []
    rows = [line for line in section.splitlines() if re.match(r"\| \d", line)]
    assert len(rows) == 25
    assert all("test_" in row or "*not yet*" in row for row in rows)
