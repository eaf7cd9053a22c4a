"""The libraries that drawing stands on, or a refusal that says how to get them."""

from __future__ import annotations

import contextlib
import io
import warnings
from typing import Any

from interpretation.errors import FurrowsliceError

APT_LINE = "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


def load_weasyprint() -> Any:
    """Import WeasyPrint with all that it is linked to.

    Raises
    ------
    FurrowsliceError
        If a native library is missing. Without HarfBuzz-subset pages would still come out, but four times
        as slowly and with other bytes than on other machines: that is refused as well.
    """
    try:
        # What it prints and warns of when a library is missing, the refusal says better.
        with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore", DeprecationWarning)
            import weasyprint
            from weasyprint.text.ffi import harfbuzz_subset
    except OSError as error:
        raise _missing(str(error)) from error
    if harfbuzz_subset is None:
        raise _missing("cannot load library 'libharfbuzz-subset.so.0'")
    return weasyprint


def _missing(said: str) -> FurrowsliceError:
    return FurrowsliceError(
        f"the libraries that draw text are not installed ({said})",
        expected="Pango, PangoFT2 and HarfBuzz-subset",
        fix=f"as root: {APT_LINE}",
    )
