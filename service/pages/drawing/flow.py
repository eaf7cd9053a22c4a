"""How soil values move between classes: bars of what they were, of what they would be, and ribbons between.

What stays is light with a thin edge, what moves is dark and carries its number: it reads in grey, and the
table beside it says the same. Names are an agronomist's and are escaped here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

WIDTH = 680
LEFT, RIGHT, BAR = 196, 470, 14  # where the bars stand, and how wide they are
TOP, FULL, APART, LEAST = 30, 240, 9, 20  # FULL is as high as all values together
THINNEST = 1.6  # of a ribbon that moves
LABEL = 8


@dataclass(frozen=True, slots=True)
class Drawing:
    """What stands inside an ``svg`` of this size."""

    width: int
    height: int
    inside: Markup


@dataclass(frozen=True, slots=True)
class _Block:
    top: float
    height: float  # of the bar itself; the block is at least as high as its label


def flow(
    before: Sequence[str], after: Sequence[str], counts: Sequence[Sequence[int]], heads: tuple[str, str],
    write: Callable[[int], str],
) -> Drawing:  # fmt: skip
    """Draw one flow.

    Parameters
    ----------
    before, after
        Names of the states, from the top down.
    counts
        ``counts[i][j]`` values went from ``before[i]`` to ``after[j]``.
    heads
        What stands above the bars.
    write
        Writes a whole number.
    """
    from_sums = [sum(row) for row in counts]
    to_sums = [sum(row[j] for row in counts) for j in range(len(after))]
    scale = FULL / max(sum(from_sums), 1)
    left, right = _blocks(from_sums, scale), _blocks(to_sums, scale)
    staying: list[str] = []
    moving: list[str] = []
    numbers: list[tuple[float, str]] = []
    starts, ends = [block.top for block in left], [block.top for block in right]
    for i, row in enumerate(counts):
        for j, count in enumerate(row):
            if not count:
                continue
            thick, stays = count * scale, before[i] == after[j]
            ribbon = _ribbon(starts[i], ends[j], thick if stays else max(thick, THINNEST))
            (staying if stays else moving).append(ribbon)
            if not stays:
                middle = (starts[i] + ends[j] + thick) / 2
                numbers.append((middle, write(count)))
            starts[i] += thick
            ends[j] += thick
    height = int(max(_foot(left), _foot(right))) + 8
    parts = [
        f'<g font-size="13" font-weight="700" fill="#222"><text x="{LEFT + BAR}" y="18" text-anchor="end">'
        f'{escape(heads[0])}</text><text x="{RIGHT}" y="18">{escape(heads[1])}</text></g>',
        f'<g fill="#e2e2e2" stroke="#999" stroke-width="0.6">{"".join(staying)}</g>',
        f'<g fill="#4a4a4a" stroke="#4a4a4a" stroke-width="0.6">{"".join(moving)}</g>',
        _bars(left, LEFT), _bars(right, RIGHT),
        _labels(left, before, from_sums, LEFT - LABEL, "end", write),
        _labels(right, after, to_sums, RIGHT + BAR + LABEL, "start", write),
        _numbers(numbers),
    ]  # fmt: skip
    return Drawing(WIDTH, height, Markup("".join(parts)))  # noqa: S704 - texts are escaped above


def _blocks(sums: Sequence[int], scale: float) -> list[_Block]:
    found, top = [], float(TOP)
    for each in sums:
        found.append(_Block(top, each * scale))
        top += max(each * scale, LEAST) + APART
    return found


def _foot(blocks: Sequence[_Block]) -> float:
    return max((block.top + max(block.height, LEAST) for block in blocks), default=TOP)


def _ribbon(start: float, end: float, thick: float) -> str:
    x1, x2, half = LEFT + BAR, RIGHT, (LEFT + BAR + RIGHT) / 2
    return (
        f'<path d="M{x1} {start:.1f}C{half:.0f} {start:.1f} {half:.0f} {end:.1f} {x2} {end:.1f}'
        f"V{end + thick:.1f}C{half:.0f} {end + thick:.1f} {half:.0f} {start + thick:.1f} {x1} "
        f'{start + thick:.1f}Z"/>'
    )


def _bars(blocks: Sequence[_Block], x: int) -> str:
    bars = (
        f'<rect x="{x}" y="{block.top:.1f}" width="{BAR}" height="{max(block.height, 1.0):.1f}"/>'
        for block in blocks
    )
    return f'<g fill="#222">{"".join(bars)}</g>'


def _labels(
    blocks: Sequence[_Block], names: Sequence[str], sums: Sequence[int], x: int, anchor: str,
    write: Callable[[int], str],
) -> str:  # fmt: skip
    texts = (
        f'<text x="{x}" y="{block.top + max(block.height / 2 + 4, 13):.1f}">{_cut(name)} '
        f'<tspan font-weight="700">{write(number)}</tspan></text>'
        for block, name, number in zip(blocks, names, sums, strict=True)
    )
    return f'<g font-size="13" fill="#222" text-anchor="{anchor}">{"".join(texts)}</g>'


def _cut(name: str) -> str:
    """A name that fits beside its bar; the table has it whole."""
    return str(escape(name if len(name) <= 20 else name[:19] + "…"))


def _numbers(numbers: Sequence[tuple[float, str]]) -> str:
    """How many move, in the middle of each ribbon; where two would touch, one is left to the table."""
    kept, free = [], float("-inf")
    for y, text in sorted(numbers):
        if y - 8 < free:
            continue
        free = y + 8
        x, width = (LEFT + BAR + RIGHT) / 2, 7.6 * len(text) + 8
        kept.append(
            f'<rect x="{x - width / 2:.1f}" y="{y - 8:.1f}" width="{width:.1f}" height="16" fill="#fff" '
            f'stroke="#4a4a4a" stroke-width="0.8"/><text x="{x:.0f}" y="{y + 4.5:.1f}">{text}</text>'
        )
    return f'<g font-size="12.5" font-weight="700" fill="#222" text-anchor="middle">{"".join(kept)}</g>'
