"""A log-log drawing of seconds against devices, as SVG text that reads in light and dark."""

from __future__ import annotations

import math
from collections.abc import Sequence

WIDTH, HEIGHT = 560, 340
LEFT, RIGHT, TOP, BOTTOM = 70, 20, 20, 56
TARGET = 1.2
"""Exponent drawn for comparison, through the first point."""


def scale_chart(points: Sequence[tuple[float, float]], exponent: float | None) -> str:
    """Draw (devices, seconds) with the fitted exponent's line and one of exponent 1.2.

    Raises
    ------
    ValueError
        If there is no point.
    """
    if not points:
        raise ValueError("nothing to draw")
    points = sorted(points)
    first, last = points[0][0], points[-1][0]
    base = math.exp(sum(math.log(y) for x, y in points if x == first) / sum(
        x == first for x, _ in points
    ))
    lines = [("n^1.2", base, TARGET, "6 4")]
    if exponent is not None:
        mx = sum(math.log(x) for x, _ in points) / len(points)
        my = sum(math.log(y) for _, y in points) / len(points)
        start = math.exp(my + exponent * (math.log(first) - mx))
        lines.append((f"fitted n^{exponent:.2f}", start, exponent, ""))
    ys = [y for _, y in points]
    ys += [start * (x / first) ** p for _, start, p, _ in lines for x in (first, last)]
    x_low, x_high = math.log10(first) - 0.15, math.log10(last) + 0.15
    y_low, y_high = math.floor(math.log10(min(ys))), math.ceil(math.log10(max(ys)))
    y_high = max(y_high, y_low + 1)

    def px(x: float) -> float:
        return LEFT + (math.log10(x) - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT)

    def py(y: float) -> float:
        return HEIGHT - BOTTOM - (math.log10(y) - y_low) / (y_high - y_low) * (
            HEIGHT - TOP - BOTTOM
        )

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'width="{WIDTH}" height="{HEIGHT}" font-family="sans-serif" font-size="13">',
        "<title>Seconds to a proven gap of 5 % against the number of devices</title>",
        "<style>svg{color:#222;background:#fff}.p{fill:#1f5fa8;stroke:#fff}"
        "@media (prefers-color-scheme:dark){svg{color:#ddd;background:#16181c}"
        ".p{fill:#7db4f0;stroke:#16181c}}</style>",
    ]
    for power in range(y_low, y_high + 1):
        y = py(10.0**power)
        out.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" '
            f'stroke="currentColor" opacity="0.2"/>'
            f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end" fill="currentColor">'
            f"{10.0**power:g}</text>"
        )
    for x in sorted({x for x, _ in points}):
        out.append(
            f'<text x="{px(x):.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle" '
            f'fill="currentColor">{x:,.0f}</text>'
        )
    for rank, (name, start, power, dash) in enumerate(lines):
        end = start * (last / first) ** power
        out.append(
            f'<line x1="{px(first):.1f}" y1="{py(start):.1f}" x2="{px(last):.1f}" '
            f'y2="{py(end):.1f}" stroke="currentColor" stroke-dasharray="{dash}" opacity="0.7"/>'
        )
        key_y = TOP + 12 + 18 * rank
        out.append(
            f'<line x1="{LEFT + 10}" x2="{LEFT + 40}" y1="{key_y}" y2="{key_y}" '
            f'stroke="currentColor" stroke-dasharray="{dash}" opacity="0.7"/>'
            f'<text x="{LEFT + 46}" y="{key_y + 4}" fill="currentColor">{name}</text>'
        )
    out += [f'<circle class="p" cx="{px(x):.1f}" cy="{py(y):.1f}" r="5"/>' for x, y in points]
    out += [
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2:.0f}" y="{HEIGHT - 12}" text-anchor="middle" '
        f'fill="currentColor">devices</text>',
        f'<text transform="translate(18 {(TOP + HEIGHT - BOTTOM) / 2:.0f}) rotate(-90)" '
        f'text-anchor="middle" fill="currentColor">seconds to a gap of 5 %</text>',
        "</svg>",
    ]
    return "\n".join(out) + "\n"
