"""Do to a problem file what a way out says, word by word, and nothing else."""

from __future__ import annotations

import re
from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal
from typing import Any

from partitioner.model.layout import link_name

Data = dict[str, Any]


def obey(data: Data, change: str) -> None:
    """Edit the content of a problem file as one change of a way out tells.

    Raises
    ------
    ValueError
        If the sentence tells nothing that is known here.
    """
    for sentence in re.split(" and (?=add a backbone link|let the domains|give )", change):
        for pattern, edit in EDITS:
            if match := re.fullmatch(pattern, sentence):
                edit(data, *match.groups())
                break
        else:
            raise ValueError(f"nobody knows what to do about: {sentence}")


def _item(data: Data, section: str, id_: str) -> Data:
    return next(i for i in data[section] if i["id"] == id_)


def _number(text: str) -> int | float:
    value = Decimal(text)
    return int(value) if value == value.to_integral_value() else float(value)


def _limit(key: str, unit: float = 1.0) -> Callable[..., None]:
    def edit(data: Data, grade: str, amount: str, basis: str | None = None) -> None:
        row = data.setdefault("limits", {}).setdefault(grade, {})
        row[key] = _number(amount) if unit == 1.0 else float(Decimal(amount) * Decimal(str(unit)))
        if basis:
            row["basis"] = "engineered"

    return edit


def _ports(data: Data, switch: str, count: str, grades: str, entry: str | None) -> None:
    rows = _item(data, "switches", switch)["ports"]
    alike = [r for r in rows if r["grades"] == grades.split(" or ")]
    row = rows[int(entry) - 1] if entry else alike[0]
    assert entry or len(alike) == 1
    row["count"] = int(count)


def _reserve(data: Data, amount: str, unit: str, grade: str) -> None:
    key = {"m": "length_m", "%": "load_share"}.get(unit, "nodes")
    value = float(Decimal(amount) / 100) if unit == "%" else _number(amount)
    data["limits"][grade]["reserve"][key] = value


def _pin(data: Data, devices: str, switches: str) -> None:
    for device in _names(devices):
        row = _item(data, "devices", device)
        for key in ("switch", "switches", "zone"):
            row.pop(key, None)
        row["switches"] = switches.split(", ")


def _names(text: str) -> list[str]:
    return re.split(r", | and ", text)


def _drop(data: Data, group: str) -> None:
    data["groups"] = [g for g in data["groups"] if g["id"] != group]


def _drop_with(data: Data, group: str, rules: str) -> None:
    _drop(data, group)
    gone = _names(rules)
    data["failure_rules"] = [r for r in data["failure_rules"] if r["id"] not in gone]


def _drop_watched(
    data: Data, group: str, devices: str, function: str, rules: str, again: str, same: str
) -> None:
    assert (again, same) == (function, group)
    _drop(data, group)
    for device in _names(devices):
        _item(data, "devices", device)["function"] = function
    for rule in _names(rules):
        row = _item(data, "failure_rules", rule)
        assert row.pop("group") == group
        row["function"] = function


def _softer(data: Data, group: str) -> None:
    _item(data, "groups", group)["kind"] = "apart-segment"


def _domains(data: Data, names: str) -> None:
    data.setdefault("sharing", {}).setdefault("domains", []).append(_names(names))


def _in(section: str, key: str, value: Any = None) -> Callable[..., None]:
    def edit(data: Data, text: str = "") -> None:
        data.setdefault(section, {})[key] = _number(text) if value is None else value

    return edit


def _of(section: str, key: str) -> Callable[..., None]:
    return lambda data, id_, text: _item(data, section, id_).update({key: _number(text)})


def _add_link(data: Data, a: str, b: str, grades: str) -> None:
    links = data.setdefault("backbone", {}).setdefault("links", [])
    links.append({"between": [a, b], "grades": grades.split(" or ")})


def _bring(data: Data, name: str, length_m: str) -> None:
    (link,) = (x for x in data["backbone"]["links"] if link_name(*x["between"]) == name)
    link["length_m"] = _number(length_m)


def _shape(data: Data, shape: str, before: str) -> None:
    assert data["backbone"]["shape"] == before
    data["backbone"]["shape"] = shape


def _deadline(data: Data, stream: str, amount: str, unit: str) -> None:
    us = Decimal(amount) * (1 if unit == "µs" else 1_000)
    _item(data, "streams", stream)["deadline_us"] = _number(str(us))


def _place(data: Data, id_: str, spot: str) -> None:
    row = next(i for i in (*data["devices"], *data["switches"]) if i["id"] == id_)
    row.pop("place", None)
    row.pop("position_m", None)
    row.update(_spot(spot))


def _spot(text: str) -> Data:
    if not text.startswith("["):
        return {"place": text}
    numbers = text.removesuffix(" (metres)").strip("[]").split(", ")
    return {"position_m": [_number(n) for n in numbers]}


def _new_ports(data: Data, switch: str, count: str, grade: str, price: str | None) -> None:
    row = {"grades": [grade], "count": int(count)}
    _item(data, "switches", switch)["ports"].append(
        row if price is None else row | {"price": _number(price)}
    )


def _more_switch(
    data: Data, name: str, like: str, spot: str, grades: str, ends: str
) -> None:
    row = {
        k: deepcopy(v) for k, v in _item(data, "switches", like).items()
        if k not in ("place", "position_m", "zone")
    }
    data["switches"].append(row | {"id": name, "required": False} | _spot(spot))
    links = data.setdefault("backbone", {}).setdefault("links", [])
    links += [{"between": [end, name], "grades": grades.split(" or ")} for end in _names(ends)]


def _link_too(data: Data, name: str, grade: str) -> None:
    (link,) = (x for x in data["backbone"]["links"] if link_name(*x["between"]) == name)
    link["grades"] = [*link["grades"], grade]


def _send_less(data: Data, streams: str) -> None:
    for told in _names(streams):
        found = re.fullmatch(
            r"(\S+)(?: every (\S+) (µs|ms) \(deadline (\S+) (µs|ms)\))?(?: with (\d+) bytes)?", told
        )
        assert found
        stream, *times, size = found.groups()
        row = _item(data, "streams", stream)
        keys = ("period_us", "deadline_us")
        for key, amount, unit in zip(keys, times[::2], times[1::2], strict=True):
            if amount:
                row[key] = _number(str(Decimal(amount) * (1 if unit == "µs" else 1_000)))
        if size:
            row["payload_bytes"] = int(size)


BASIS = r"( with basis: engineered)?"
EDITS: tuple[tuple[str, Callable[..., None]], ...] = (
    (r"give (\S+) (\d+) ports? for (.+?)(?: \(entry (\d+) of its ports\))? in place of \d+",
     _ports),
    (r"give (\S+) (\d+) new ports? for (\S+)(?: at (\S+) each)?", _new_ports),
    (r"place (\S+) at (.+), nearer to \S+", _place),
    (r"let the PHY of (\S+) be (\S+) too",
     lambda data, id_, grade: _item(data, "devices", id_)["grades"].append(grade)),
    (r"add a switch (\S+) like (\S+) at (.+) that need not be built, with a backbone link "
     r"\((.+)\) to (.+)", _more_switch),
    (r"let the backbone link (\S+) of \S+ m be (\S+) too", _link_too),
    (r"raise the length limit of (\S+) from \S+ m to (\S+) m" + BASIS, _limit("length_m")),
    (r"raise the node limit of (\S+) from \d+ to (\d+)" + BASIS, _limit("nodes")),
    (r"raise the stub limit of (\S+) from \S+ m to (\S+) m" + BASIS, _limit("stub_m")),
    (r"raise the load share of backbone links from \S+ % to (\S+) %",
     lambda data, share: data["backbone"].update(load_share=float(Decimal(share) / 100))),
    (r"raise the load share of (\S+) from \S+ % to (\S+) %", _limit("load_share", 0.01)),
    (r"raise the unit loads of (\S+) from \S+ to (\S+)", _limit("unit_loads")),
    (r"lower the least spacing on (\S+) from \S+ m to (\S+) m", _limit("spacing_m")),
    (r"keep (\S+) (m|%|nodes?) of each line of (\S+) free in place of .+", _reserve),
    (r"make room for (\d+) cables in (\S+) in place of \d+",
     lambda data, most, way: _item(data, "pathways", way).update(max_cables=int(most))),
    (r"let (.+) hang on \S+ too \(switches: \[(.+)\]\)", _pin),
    (r"keep group (\S+) on different segments only", _softer),
    (r"drop group (\S+)", _drop),
    (r"drop group (\S+) with failure rules? (.+)", _drop_with),
    (r"drop group (\S+) but watch its devices on: give (.+) the function (\S+), and failure rules? "
     r"(.+) function: (\S+) in place of group: (\S+)", _drop_watched),
    (r"let safety levels on one line differ by (\d+) in place of \d+",
     _in("sharing", "safety_span")),
    (r"let the domains (\S+ and \S+) share lines", _domains),
    (r"let all security domains share lines: (.+)", _domains),
    (r"let switches sit along their lines", _in("line", "switch_position", "anywhere")),
    (r"let option devices stand anywhere on a line", _in("line", "option_tail", False)),
    (r"let rule (\S+) allow (\d+) lost in place of \d+", _of("failure_rules", "most_lost")),
    (r"add a backbone link between (\S+) and (\S+) \((.+)\)", _add_link),
    (r"bring the backbone link (\S+) from \S+ m to (\S+) m", _bring),
    (r"make the shape of the backbone (\S+) in place of (\S+)", _shape),
    (r"relax the deadline of (\S+) from \S+ \S+ to (\S+) (µs|ms)", _deadline),
    (r"send (.+)", _send_less),
    (r"give transfer (\S+) (\S+) s", _of("transfers", "longest_s")),
    (r"let transfer (\S+) take any time \(no longest_s\)",
     lambda data, id_: _item(data, "transfers", id_).pop("longest_s")),
)  # fmt: skip
"""Every kind of sentence, and the edit that it names."""
