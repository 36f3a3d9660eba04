"""The items of a problem as they were read, before they are checked against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from partitioner.model.catalogue import Catalogue
from partitioner.reading import schema
from partitioner.reading.base_units import position_um
from partitioner.reading.origin import YamlOrigin
from partitioner.reading.tables import Item, tables_inside

_SECTIONS = {n: i.annotation for n, i in schema.ProblemTable.model_fields.items()}
LISTS = tuple(n for n, k in _SECTIONS.items() if tables_inside(k) and str(k).startswith("tuple"))
"""Sections of a problem that are lists of tables."""
MAPPINGS = tuple(n for n, k in _SECTIONS.items() if tables_inside(k) == [k] and n != "catalogue")
"""Sections that are one table each; the catalogue is a book of its own."""

Point = tuple[int, int, int]


def table_of(section: str) -> type[Any]:
    """Table that the items of a section are read by."""
    return tables_inside(_SECTIONS[section])[0]


@dataclass
class Parts:
    """All items of one problem.

    ``known`` holds, for each kind of thing, the ids that were written, so that one wrong item
    doesn't make every mention of it a further finding. ``unsure`` names the lists in which an id
    could not be read; unknown names are not told for them.
    """

    origin: YamlOrigin
    name: str | None
    currency: str
    note: str
    routing: Item[schema.RoutingTable]
    backbone: Item[schema.BackboneTable]
    line: Item[schema.LineTable]
    plca: Item[schema.PlcaTable]
    shop: Item[schema.ShopTable]
    sharing: Item[schema.SharingTable]
    change_prices: Item[schema.ChangePriceTable]
    objective: Item[schema.ObjectiveTable]
    propose: Item[schema.ProposeTable]
    silence: Item[schema.SilenceTable]
    tables: list[Item[schema.SourceTable]] = field(default_factory=list)
    places: list[Item[schema.PlaceTable]] = field(default_factory=list)
    pathways: list[Item[schema.PathwayTable]] = field(default_factory=list)
    switches: list[Item[schema.SwitchTable]] = field(default_factory=list)
    devices: list[Item[schema.DeviceTable]] = field(default_factory=list)
    groups: list[Item[schema.GroupTable]] = field(default_factory=list)
    streams: list[Item[schema.StreamTable]] = field(default_factory=list)
    transfers: list[Item[schema.TransferTable]] = field(default_factory=list)
    limits: dict[str, Item[schema.LimitTable]] = field(default_factory=dict)
    options: list[Item[schema.OptionTable]] = field(default_factory=list)
    builds: list[Item[schema.BuildTable]] = field(default_factory=list)
    forecast: list[Item[schema.ForecastTable]] = field(default_factory=list)
    failure_rules: list[Item[schema.FailureRuleTable]] = field(default_factory=list)
    catalogue: Catalogue | None = None
    catalogue_grades: tuple[str, ...] = ()
    unsure: set[str] = field(default_factory=set)
    _names: dict[tuple[str, ...], dict[str, None]] = field(default_factory=dict)

    def items(self, section: str) -> list[Item[Any]]:
        """Items of a list section by its key."""
        found: list[Item[Any]] = getattr(self, section)
        return found

    def names(self, sections: tuple[str, ...]) -> Mapping[str, None]:
        """Ids of all items of some list sections, in the order of the file."""
        if sections not in self._names:
            ids = (item.id for s in sections for item in self.items(s) if item.id is not None)
            self._names[sections] = dict.fromkeys(ids)
        return self._names[sections]

    def forget_names(self) -> None:
        """More items came: names are looked up anew."""
        self._names.clear()

    @cached_property
    def switches_of_zone(self) -> dict[str, tuple[str, ...]]:
        """Ids of the switches that serve each zone."""
        zones: dict[str, list[str]] = {}
        for item in self.switches:
            if item.table.zone is not None:
                zones.setdefault(item.table.zone, []).append(item.table.id)
        return {zone: tuple(ids) for zone, ids in zones.items()}

    @cached_property
    def points(self) -> dict[str, Point]:
        """Where each place is, in µm."""
        known = ((n, position_um(i.table.position_m)) for n, i in self.ids("places").items())
        return {name: at for name, at in known if at is not None}

    def position_um(self, item: Item[Any]) -> Point | None:
        """Where a device or switch stands."""
        return position_um(item.table.position_m) or self.points.get(item.table.place)

    def everyone(self) -> list[Item[Any]]:
        """Devices, and those that may come later."""
        return [*self.devices, *self.forecast]

    def ids(self, section: str) -> dict[str, Item[Any]]:
        """First item with each id of a list section."""
        found: dict[str, Item[Any]] = {}
        for item in self.items(section):
            if item.id is not None:
                found.setdefault(item.id, item)
        return found
