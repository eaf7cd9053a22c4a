"""The only fonts a page may use: Fira Sans from its package, never the machine's own.

WeasyPrint asks fontconfig for fonts. For as long as it gathers them, fontconfig is given a configuration
of our own that knows nothing but the bundled files; afterwards the environment is as it was.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from xml.sax.saxutils import escape

WEIGHTS = ("Regular", "Medium", "Bold")

_CONFIGURATION = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">
<fontconfig>
  <dir>{folder}</dir>
  <cachedir>{cache}</cachedir>
  <selectfont>
    <rejectfont><glob>*</glob></rejectfont>
    <acceptfont>{accepted}</acceptfont>
  </selectfont>
</fontconfig>
"""


def font_files() -> tuple[Path, ...]:
    """Paths of the bundled font files."""
    folder = Path(str(files("fontpkg_fira_sans"))) / "files"
    return tuple(folder / f"FiraSans-{weight}.ttf" for weight in WEIGHTS)


@contextmanager
def only_bundled_fonts() -> Iterator[None]:
    """Let fontconfig see nothing but the bundled fonts inside the ``with`` block."""
    paths = font_files()
    before = os.environ.get("FONTCONFIG_FILE")
    with tempfile.TemporaryDirectory(prefix="furrowslice-fonts-") as folder:
        configuration = Path(folder) / "fonts.conf"
        configuration.write_text(
            _CONFIGURATION.format(
                folder=escape(str(paths[0].parent)),
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
