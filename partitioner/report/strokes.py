"""How lines are told apart: six hues, then a dash pattern for every round, then a light core.

The hues come in a light and a dark set; each keeps a contrast of 3:1 on its background and
stays apart from the others under the three kinds of colour-blindness (smallest CIE76 distance
16 in the light set, 13 in the dark one). Hue alone never carries meaning: lines also differ by
dash or core once the hues repeat, and each is labelled where it runs.
"""

from __future__ import annotations

from dataclasses import dataclass

LIGHT_HUES = ("#0B4F9C", "#B83A00", "#007A5A", "#B5579A", "#3A9BD9", "#C77700")
DARK_HUES = ("#5B8DEF", "#E8703A", "#00A67A", "#D98BB8", "#56B4E9", "#E69F00")
DASHES = ("", "11 4", "3 3", "14 3 3 3", "6 3", "16 3 3 3 3 3")
"""Dashes of the first lines, tried plain and then with a core."""
FINE_DASHES = (
    "6 3 3 3",
    "14 3 6 3",
    "14 3 14 3 3 3",
    "14 3 6 3 6 3",
    "6 3 6 3 3 3",
    "6 3 3 3 3 3",
    "14 3 6 3 3 3",
    "14 3 14 3 6 3",
    "22 3",
)
"""Dashes of the lines after these; none is another one begun elsewhere."""
_ROUNDS = tuple(
    (dash, has_core)
    for dashes in (DASHES, FINE_DASHES)
    for has_core in (False, True)
    for dash in dashes
)
LINK_DASHES = ("", "5 3", "2 2.5", "8 2.5 2 2.5")


@dataclass(frozen=True, slots=True)
class Stroke:
    """Look of one segment: ``hue`` index (None: ink of the page), dash pattern, width in px.

    ``has_core``: a thin line in the colour of the page runs along its middle.
    """

    hue: int | None
    dash: str
    width: float
    has_core: bool = False

    @property
    def css_class(self) -> str:
        """Class that sets the colour: ``h0``..``h5`` or ``hk`` for links."""
        return "hk" if self.hue is None else f"h{self.hue}"


def line_stroke(index: int) -> Stroke:
    """Stroke of the ``index``-th shared line (from 0); the first 180 all look different."""
    rounds, hue = divmod(index, len(LIGHT_HUES))
    dash, has_core = _ROUNDS[rounds % len(_ROUNDS)]
    return Stroke(hue, dash, 2.8, has_core)


def link_stroke(grade_index: int) -> Stroke:
    """Stroke of a point-to-point link; links of one grade look alike and are labelled."""
    return Stroke(None, LINK_DASHES[grade_index % len(LINK_DASHES)], 1.4)


TOKENS_LIGHT = {
    "--page": "#ffffff",
    "--ink": "#1b1f24",
    "--muted": "#57606a",
    "--rule": "#d0d7de",
    "--panel": "#f5f7f9",
    "--channel": "#e6e9ed",
    "--channel-edge": "#c3cad2",
    "--ok": "#0B63A5",
    "--warn": "#9A6700",
    "--bad": "#7A0019",
    "--bar": "#cfe0ee",
    **{f"--h{i}": c for i, c in enumerate(LIGHT_HUES)},
}
TOKENS_DARK = {
    "--page": "#16181d",
    "--ink": "#e6e8eb",
    "--muted": "#9aa4af",
    "--rule": "#3a4048",
    "--panel": "#1d2026",
    "--channel": "#2a2f37",
    "--channel-edge": "#454c56",
    "--ok": "#6CBEF0",
    "--warn": "#FFD166",
    "--bad": "#E8604C",
    "--bar": "#27435a",
    **{f"--h{i}": c for i, c in enumerate(DARK_HUES)},
}


def tokens_css() -> str:
    """Colour tokens as CSS custom properties for both themes; paper always gets the light ones."""
    light = "".join(f"{k}:{v};" for k, v in TOKENS_LIGHT.items())
    dark = "".join(f"{k}:{v};" for k, v in TOKENS_DARK.items())
    return (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )
