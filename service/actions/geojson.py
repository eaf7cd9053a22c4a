"""Places on the ground as GeoJSON (RFC 7946): read strictly, so that nothing lands on the wrong field.

A point whose properties hold ``lab_number`` is where a sample was taken; a polygon with ``field_id`` (the
field's code) is a field's outline. Longitude comes first, in degrees of WGS 84.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, NoReturn

from service.characters import UNSEEN
from service.refusals import Invalid

MOST_FEATURES = 5_000
MOST_POSITIONS = 2_000  # of one polygon
LARGEST_BYTES = 4 * 1024 * 1024
LONGEST_NAME = 64
DECIMALS = 7  # of a degree: about a centimetre; more is noise of the receiver

Position = tuple[float, float]  # longitude, latitude


@dataclass(frozen=True)
class Ground:
    """What one file says: positions by laboratory number, outlines by code of the field."""

    points: dict[str, Position]
    outlines: dict[str, dict[str, Any]]


def read_ground(content: bytes) -> Ground:
    """Read a FeatureCollection of sample points and field outlines.

    Raises
    ------
    Invalid
        With the number of the feature, counted from 1, when anything is not as described.
    """
    if len(content) > LARGEST_BYTES:
        _refuse(f"the file is larger than {LARGEST_BYTES // 1024**2} MiB", "file", "places of some fields")
    try:
        whole = json.loads(content.decode("utf-8-sig"), parse_constant=_no_number)
    except UnicodeDecodeError:
        _refuse("the file is not UTF-8 text", "file", "GeoJSON as RFC 7946 describes it")
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        _refuse(f"the file is no JSON: {error.msg}", where, "GeoJSON as RFC 7946 describes it")
    except ValueError:  # a whole number of more digits than Python reads
        _refuse("the file holds a number that is too long", "file", "coordinates in degrees")
    except RecursionError:
        _refuse("the file is nested too deeply", "file", "a FeatureCollection of points and polygons")
    return take_ground(whole)


def take_ground(whole: Any) -> Ground:
    """Take what a FeatureCollection says; see :func:`read_ground`."""
    if not isinstance(whole, dict) or whole.get("type") != "FeatureCollection":
        _refuse("this is no FeatureCollection", "file", 'an object with "type": "FeatureCollection"')
    if "crs" in whole:
        _refuse("the file names a coordinate system of its own", "crs", "longitude and latitude of WGS 84")
    features = whole.get("features")
    if not isinstance(features, list) or not features:
        _refuse("there are no features", "features", "a list of features, at least one")
    if len(features) > MOST_FEATURES:
        _refuse(f"there are {len(features)} features", "features", f"at most {MOST_FEATURES} in one file")
    found = Ground({}, {})
    codes: set[str] = set()
    for number, feature in enumerate(features, 1):
        _take(feature, f"feature {number}", found, codes)
    return found


def checked_outline(outline: Any, where: str = "outline") -> dict[str, Any]:
    """Check one polygon; returns it with nothing but its type and its rounded coordinates."""
    if not isinstance(outline, dict) or outline.get("type") != "Polygon":
        _refuse("the outline is no polygon", where, 'an object with "type": "Polygon" and "coordinates"')
    rings = outline.get("coordinates")
    if not isinstance(rings, list) or not rings or not all(isinstance(ring, list) for ring in rings):
        _refuse("the polygon has no rings", where, "a list of closed rings, the outer one first")
    if sum(len(ring) for ring in rings) > MOST_POSITIONS:
        _refuse("the outline has too many corners", where, f"at most {MOST_POSITIONS} positions")
    return {"type": "Polygon", "coordinates": [_ring(ring, where) for ring in rings]}


def _ring(ring: list[Any], where: str) -> list[list[float]]:
    positions = [list(_position(each, where)) for each in ring]
    if len(positions) < 4:
        _refuse(
            "a ring of the polygon has fewer than four positions", where, "three corners, the first again"
        )
    if positions[0] != positions[-1]:
        _refuse("a ring of the polygon is not closed", where, "the last position equal to the first")
    return positions


def _take(feature: Any, where: str, found: Ground, codes: set[str]) -> None:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        _refuse("this is no feature", where, 'an object with "type": "Feature"')
    geometry, facts = feature.get("geometry"), feature.get("properties")
    facts = facts if isinstance(facts, dict) else {}
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if isinstance(geometry, dict) and kind == "Point":
        number = _name(facts, "lab_number", where)
        if number in found.points:
            _refuse(f"lab number {number} has two points", where, "one point a sample")
        found.points[number] = _position(geometry.get("coordinates"), where)
    elif kind == "Polygon":
        code = _name(facts, "field_id", where)
        if code.casefold() in codes:
            _refuse(f"field {code} has two outlines", where, "one polygon a field")
        codes.add(code.casefold())
        found.outlines[code] = checked_outline(geometry, where)
    else:
        shown = "nothing" if kind is None else str(kind)[:40]
        _refuse(f"its geometry is {shown}", where, "a Point of a sample or a Polygon of a field")


def _name(facts: dict[str, Any], name: str, where: str) -> str:
    given = facts.get(name)
    if not isinstance(given, str) or not 0 < len(given.strip()) <= LONGEST_NAME or UNSEEN.search(given):
        expected = f"{name} among the properties, a text of at most {LONGEST_NAME} characters"
        _refuse(f"its properties have no {name}", where, expected)
    return given.strip()


def _position(given: Any, where: str) -> Position:
    numbers = given if isinstance(given, list) else []
    if not 2 <= len(numbers) <= 3 or not all(type(n) in (int, float) for n in numbers):
        _refuse("a position is not two numbers", where, "longitude, then latitude; a height may follow")
    longitude, latitude = numbers[0], numbers[1]
    # Written so that what is no number, and so neither larger nor smaller than one, is refused as well.
    if not (-180 <= longitude <= 180 and -90 <= latitude <= 90):
        shown = f"{str(longitude)[:20]}, {str(latitude)[:20]}"
        expected = "longitude from -180 to 180 first, then latitude from -90 to 90"
        _refuse(f"longitude and latitude {shown} are nowhere on the earth", where, expected)
    return round(float(longitude), DECIMALS), round(float(latitude), DECIMALS)


def _no_number(text: str) -> NoReturn:
    _refuse(f"{text} is no number", "file", "finite numbers")


def _refuse(what: str, where: str, expected: str) -> NoReturn:
    raise Invalid(what, where=where, expected=expected, fix="correct the file and send it again")
