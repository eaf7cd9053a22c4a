"""The only fonts a page may use: those of our packages, never the machine's own.

Fira Sans sets Latin, Greek and Cyrillic and every sign of the trade; Mukta stands behind it for Devanagari
and IBM Plex Sans Arabic for Arabic. All are static: a variable font would take half as much time again.

Their figures are all of one width, for columns of numbers. That stands in the configuration and not in a
style sheet, as each line with ``font-variant`` or ``font-feature-settings`` loses memory in WeasyPrint 70.

WeasyPrint asks fontconfig for fonts. For as long as it gathers them, fontconfig is given a configuration
of our own that knows nothing but the bundled files; afterwards the environment is as it was.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from xml.sax.saxutils import escape

from interpretation.errors import FurrowsliceError

# Package of a family, and the beginning of its files' names.
FAMILIES = {
    "fontpkg_fira_sans": "FiraSans",
    "fontpkg_mukta": "Mukta",
    "fontpkg_ibm_plex_sans_arabic": "IBMPlexSansArabic",
}
WEIGHTS = ("Regular", "Medium", "Bold")

_CONFIGURATION = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">
<fontconfig>
{folders}
  <cachedir>{cache}</cachedir>
  <selectfont>
    <rejectfont><glob>*</glob></rejectfont>
    <acceptfont>{accepted}</acceptfont>
  </selectfont>
  <match target="font"><edit name="fontfeatures" mode="assign_replace"><string>tnum</string></edit></match>
</fontconfig>
"""


def font_files() -> tuple[Path, ...]:
    """Paths of the bundled font files.

    Raises
    ------
    FurrowsliceError
        If one of them is not there.
    """
    paths = tuple(path for package in FAMILIES for path in files_of(package))
    missing = [str(path) for path in paths if not path.is_file()]
    if missing:
        raise _lost(", ".join(missing))
    return paths


def files_of(package: str) -> tuple[Path, ...]:
    """Paths of one family's files, whether they are there or not."""
    found = find_spec(package)
    if found is None or found.origin is None:
        raise _lost(package)
    folder = Path(found.origin).parent / "files"
    return tuple(folder / f"{FAMILIES[package]}-{weight}.ttf" for weight in WEIGHTS)


def _lost(what: str) -> FurrowsliceError:
    return FurrowsliceError(
        f"fonts of the reports are missing: {what}",
        expected=f"the fonts of {', '.join(name.replace('_', '-') for name in FAMILIES)}",
        fix="pip install --force-reinstall --no-deps "
        + " ".join(name.replace("_", "-") for name in FAMILIES),
    )


@contextmanager
def only_bundled_fonts() -> Iterator[None]:
    """Let fontconfig see nothing but the bundled fonts inside the ``with`` block."""
    paths = font_files()
    before = os.environ.get("FONTCONFIG_FILE")
    with tempfile.TemporaryDirectory(prefix="furrowslice-fonts-") as folder:
        configuration = Path(folder) / "fonts.conf"
        folders = dict.fromkeys(path.parent for path in paths)
        configuration.write_text(
            _CONFIGURATION.format(
                folders="\n".join(f"  <dir>{escape(str(path))}</dir>" for path in folders),
                cache=escape(str(Path(folder) / "cache")),
                accepted="".join(f"<glob>{escape(str(path))}</glob>" for path in paths),
            ),
            encoding="utf-8",
        )
        os.environ["FONTCONFIG_FILE"] = str(configuration)
        try:
            yield
        finally:
            if before is None:
                del os.environ["FONTCONFIG_FILE"]
            else:
                os.environ["FONTCONFIG_FILE"] = before
