"""Speed grades and parts with price, mass, source and trust mark. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Trust(StrEnum):
    """How far a figure can be trusted."""

    CLAUSE = "clause"
    """Read as the standard's clause or a clause-by-clause model of it."""
    RESTATED = "restated"
    """Read in a text that restates the standard."""
    DERIVED = "derived"
    """Arithmetic on figures that were read."""
    PRACTICE = "common practice"
    """A fact of the trade, no source."""
    MEMORY = "memory"
    """From memory, no text found."""
    INVENTED = "invented"
    """Made up as a neutral default; replace it."""
    USER = "user"
    """Stated in the problem file."""


class Medium(StrEnum):
    """What kind of segment a grade makes."""

    MIXING = "mixing"
    """A shared multidrop line (IEEE Std 802.3: mixing segment)."""
    LINK = "link"
    """A point-to-point link (IEEE Std 802.3: link segment)."""


@dataclass(frozen=True, slots=True)
class Cable:
    """Cable of a grade. ``attenuation_db_per_m`` maps MHz to dB/m for the electrical estimate."""

    id: str
    price_per_m_money: int
    mass_mg_per_m: int
    propagation_ns_per_m: float
    source: str
    trust: Trust
    attenuation_db_per_m: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """A priced part: PHY, port, connector, terminator."""

    id: str
    price_money: int
    mass_mg: int
    source: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class Grade:
    """One speed grade: what a segment of it can do and what its parts cost.

    ``guaranteed_nodes`` counts the switch port as a node (mixing segments only; 2 for links).
    ``phy_tx_ns``/``phy_rx_ns`` are the worst delays from the MAC interface to the wire and back.
    ``loop_delay_ns`` is the worst time from the end of a transmission until the carrier is seen
    off at every node (mixing segments).
    """

    id: str
    medium: Medium
    rate_bps: int
    full_duplex: bool
    guaranteed_length_um: int
    guaranteed_nodes: int
    guaranteed_stub_um: int
    phy_tx_ns: int
    phy_rx_ns: int
    loop_delay_min_ns: int
    loop_delay_max_ns: int
    cable: str
    device_phy: str
    port_phy: str
    connector: str
    terminator: str | None
    source: str
    trust: Trust
    junction: str | None = None
    """Part that joins two pieces of a line and a stub; None: none is counted."""

    @property
    def is_line(self) -> bool:
        """Whether its segments are shared lines."""
        return self.medium is Medium.MIXING


@dataclass(frozen=True, slots=True)
class LimitCurve:
    """Insertion-loss limit of a grade against frequency: piecewise (MHz, dB), linear between."""

    points_mhz_db: tuple[tuple[float, float], ...]
    node_capacitance_pf: float
    total_capacitance_pf: float
    source: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Everything that can be bought, by id."""

    grades: dict[str, Grade]
    cables: dict[str, Cable]
    parts: dict[str, Part]
    limit_curves: dict[str, LimitCurve]

    def is_line(self, grade: str) -> bool:
        """Whether segments of a grade are shared lines; not those of a grade nobody knows."""
        return grade in self.grades and self.grades[grade].is_line
