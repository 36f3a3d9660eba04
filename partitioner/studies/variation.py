"""The problem of one case: the changes of its settings made in the data of the study's problem."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import Any

from partitioner.studies.study import QUESTION_KEYS, Setting

FIXED = ("format", "name", "devices_csv", "streams_csv", "tables")
"""Keys of a problem that cannot vary; lists in files of their own are varied item by item."""
_ENDS = ("streams", "transfers")
_STEP = re.compile(r"\[([^\]]*)\]|([^.\[\]]+)")


class NoSuchItem(Exception):
    """A path names an item that its list does not have; ``known`` are the ids it has."""

    def __init__(self, section: str, name: str, known: Collection[str]):
        self.name, self.known = name, known
        super().__init__(f"no such item in {section}: '{name}'")


class NotThere(Exception):
    """A path leads into a single value."""


def path_steps(path: str) -> list[str]:
    """Steps of a path with dots or with brackets; within brackets a dot is a letter like others.

    Examples
    --------
    >>> path_steps("switches.zone-front.ports[0].count"), path_steps("limits[2.5GBASE-T1].nodes")
    (['switches', 'zone-front', 'ports', '0', 'count'], ['limits', '2.5GBASE-T1', 'nodes'])
    """
    return [inside or plain for inside, plain in _STEP.findall(path)]


def varied(data: dict[str, Any], settings: Sequence[Setting]) -> dict[str, Any]:
    """Data of a problem with the changes of some settings; what is not changed is shared.

    Items are added first, then left out, then values put, each in the order of the settings.

    Raises
    ------
    NoSuchItem, NotThere
        If a path leads nowhere.
    """
    made = dict(data)
    for setting in settings:
        for section, items in setting.add.items():
            made[section] = [*made.get(section, ()), *items]
    gone = {name for setting in settings for name in setting.leave_out}
    if gone:
        made = _without(made, gone)
    for setting in settings:
        for path, value in setting.put.items():
            if path not in QUESTION_KEYS:
                made = _put(made, path_steps(path), value, "")
    return made


def _put(here: Any, steps: list[str], value: Any, label: str) -> Any:
    """A copy of ``here`` with a value put at a path; what lies beside the path is shared."""
    if isinstance(here, list):
        return _put_in_list(here, steps, value, label)
    if not isinstance(here, dict):
        raise NotThere(label)
    # A name may have dots in it: the longest one that is there is meant.
    count = next((n for n in range(len(steps), 0, -1) if ".".join(steps[:n]) in here), 1)
    key, rest = ".".join(steps[:count]), steps[count:]
    made = dict(here)
    if rest:
        made[key] = _put(here.get(key, {}), rest, value, f"{label}.{key}".lstrip("."))
    elif value is None:
        made.pop(key, None)
    else:
        made[key] = value
    return made


def _put_in_list(here: list[Any], steps: list[str], value: Any, label: str) -> list[Any]:
    ids = [item.get("id") if isinstance(item, dict) else None for item in here]
    for count in range(len(steps), 0, -1):
        name = ".".join(steps[:count])
        if name in ids:
            place = ids.index(name)
            break
    else:
        if not steps[0].isdecimal() or int(steps[0]) >= len(here):
            raise NoSuchItem(label, steps[0], [i for i in ids if isinstance(i, str)])
        place, count = int(steps[0]), 1
    made = list(here)
    rest = steps[count:]
    made[place] = _put(here[place], rest, value, f"{label}[{steps[0]}]") if rest else value
    return made


def _without(data: dict[str, Any], gone: set[str]) -> dict[str, Any]:
    """Data without some devices and switches, nor what needs them.

    What they send is gone; what goes to several goes to those that are left. Groups of fewer than
    two, rules on groups that are gone or functions nobody has, and links to switches that are gone
    are left out with them.
    """
    made = dict(data)
    for section in ("devices", "switches", "forecast"):
        if isinstance(data.get(section), list):
            made[section] = [i for i in data[section] if i.get("id") not in gone]
    for section in _ENDS:
        if section in data:
            left = [
                {**item, "to": [end for end in item["to"] if end not in gone]}
                for item in data[section] if item.get("from") not in gone
            ]  # fmt: skip
            made[section] = [item for item in left if item["to"]]
    if "groups" in data:
        groups = [
            {**g, "devices": [d for d in g["devices"] if d not in gone]} for g in data["groups"]
        ]
        made["groups"] = [g for g in groups if len(g["devices"]) > 1]
    if "failure_rules" in data:
        groups_left = {g.get("id") for g in made.get("groups", ())}
        functions = {d.get("function") for d in made.get("devices", ())}
        made["failure_rules"] = [
            rule
            for rule in data["failure_rules"]
            if rule.get("group") in groups_left or rule.get("function") in functions - {None}
        ]
    backbone = data.get("backbone")
    if isinstance(backbone, dict) and "links" in backbone:
        links = [link for link in backbone["links"] if not gone & set(link["between"])]
        made["backbone"] = {**backbone, "links": links}
    return made
