"""Kinds of single values in a file: what is accepted, in which unit, and how that is said.

Each kind reads one value that :mod:`partitioner.reading.yaml_text` gave and either returns it or
raises a pydantic error whose type is one of our finding codes and whose text says what was
expected and what stood there. The same object gives the JSON Schema.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from enum import StrEnum
from typing import Annotated, Any

from pydantic_core import PydanticCustomError, core_schema

from partitioner.units import (
    LARGEST,
    MG_PER_G,
    MONEY_STEPS,
    MUL_PER_UNIT_LOAD,
    NS_PER_MS,
    NS_PER_US,
    PPM,
    UM_PER_M,
    TooFine,
    TooLarge,
    from_base,
    to_base,
)

LONGEST_ID = 64
_ID = re.compile(r"\w[\w.+-]*\Z")
_NAME_AND_PORT = re.compile(r"(\w[\w.+-]*):[0-9]{1,6}\Z")
_FEW_NAMES = 3
_FINEST_EXPONENT = -12
_LARGEST_EXPONENT = 13


def got(value: Any) -> str:
    """Say what stood in the file, as it was written."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, Decimal)):
        text = format(value, "f") if isinstance(value, Decimal) else str(value)
        return text if len(text) <= 40 else text[:37] + "..."
    if isinstance(value, str):
        return f"text '{value if len(value) <= 60 else value[:57] + '...'}'"
    if isinstance(value, dict):
        return "a mapping"
    return "a list"


def fault(
    code: str, message: str, *, hint: str = "", at: Sequence[str | int] = ()
) -> PydanticCustomError:
    """Make the error of one value; ``at`` leads to the part of it that is meant."""
    return PydanticCustomError(
        code,  # type: ignore[arg-type]
        "{message}",
        {"message": message, "hint": hint, "at": tuple(at)},
    )


def _only(kinds: type | tuple[type, ...], value: Any, expected: str, hint: str = "") -> Any:
    """Give a value of some kinds and refuse others; a bool is no number."""
    is_bool = isinstance(value, bool) and kinds is not bool
    if is_bool or not isinstance(value, kinds):
        raise fault("wrong-kind", f"expected {expected}, got {got(value)}", hint=hint)
    return value


def _as_list(value: Any) -> str:
    """Hint at the list that a single text was meant to be."""
    return f"write [{value}]" if isinstance(value, str) else ""


def _quoted(value: Any) -> str:
    """Hint at quotes for a single value that was meant as text."""
    if value is None or isinstance(value, (dict, list)):
        return ""
    return f"put it in quotes: '{got(value)}'"


def _inside(kind: ValueKind, value: Any, *at: str | int) -> Any:
    """Read a part of a value; its fault then leads to the part."""
    try:
        return kind.read(value)
    except PydanticCustomError as error:
        told = error.context or {}
        raise fault(error.type, told["message"], hint=told["hint"], at=at) from None


def did_you_mean(name: str, known: Sequence[str], *, list_known: bool = True) -> str:
    """Hint at the nearest known name; else list the known ones when they are few.

    A name that was only begun may be any that go on from it.
    """
    begun = [k for k in known if k.casefold().startswith(f"{name.casefold()}-")]
    if 0 < len(begun) <= _FEW_NAMES:
        return "did you mean " + " or ".join(f"'{k}'" for k in begun) + "?"
    near = get_close_matches(name, known, n=1, cutoff=0.7)
    if not near:
        folded = {k.casefold(): k for k in reversed(known)}
        near = get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.7)
        near = [folded[n] for n in near]
    if near:
        return f"did you mean '{near[0]}'?"
    if list_known and known and len(known) <= 8:
        return "known: " + ", ".join(known)
    return ""


def plural(name: str) -> str:
    """Several of something.

    Examples
    --------
    >>> plural("device or switch")
    'devices or switches'
    """
    words = [w + ("es" if w.endswith("ch") else "s") for w in name.split(" or ")]
    return " or ".join(words)


def plain_number(value: Decimal | int) -> str:
    """Write a number without exponent and without zeros at its end."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


class ValueKind:
    """One kind of value. Subclasses say how to read it, and its form for editors."""

    def read(self, value: Any) -> Any:
        """Return the value or raise the error made by :func:`fault`."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """JSON Schema of the kind."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Let pydantic read the value with :meth:`read`."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        """Let pydantic describe the value with :meth:`schema`."""
        return self.schema()


def _share_hint(per_cent: Decimal) -> str:
    return f"write a share: {plain_number(per_cent / 100)} for {plain_number(per_cent)} %"


@dataclass(frozen=True)
class Number(ValueKind):
    """A number in one of people's units that becomes a whole number of base units.

    ``low`` and ``high`` are bounds in people's units; ``above`` leaves ``low`` itself out.
    """

    unit: str
    steps: int
    low: Decimal | None = Decimal(0)
    high: Decimal | None = None
    above: bool = False

    def words(self) -> str:
        """Kind and unit."""
        return f"number in {self.unit}" if self.unit else "number"

    def bounds(self, *, with_unit: bool = True) -> str:
        """Bounds in words; empty when there are none but the largest number."""
        unit = f" {self.unit}" if self.unit and with_unit else ""
        low = None if self.low is None else plain_number(self.low)
        if self.high is not None:
            start = "above " if self.above else ""
            return f"{start}{low} to {plain_number(self.high)}{unit}"
        if low is None:
            return ""
        return f"above {low}{unit}" if self.above else f"{low}{unit} or more"

    def read(self, value: Any) -> Decimal:
        """Accept an int or Decimal inside the bounds and not finer than the base unit."""
        _only((int, Decimal), value, f"a {self.words()}", self._hint(value))
        number = Decimal(value)
        unit = f" {self.unit}" if self.unit else ""
        too_low = self.low is not None and (number <= self.low if self.above else number < self.low)
        if too_low or (self.high is not None and number > self.high):
            hint = _share_hint(number) if self.high == 1 and 2 <= number <= 100 else ""
            raise fault("out-of-range", f"expected {self.bounds()}, got {got(value)}", hint=hint)
        try:
            if number and number.adjusted() > _LARGEST_EXPONENT:
                raise TooLarge
            if number and _last_digit_exponent(number) < _FINEST_EXPONENT:
                raise TooFine
            to_base(number, self.steps)
        except TooLarge:
            most = plain_number(from_base(LARGEST, self.steps).quantize(Decimal(1))) + unit
            raise fault("out-of-range", f"expected at most {most}, got {got(value)}") from None
        except TooFine:
            step = plain_number(from_base(1, self.steps)) + unit
            raise fault(
                "too-fine",
                f"expected steps of {step}, got {got(value)}",
                hint="nothing is rounded; write fewer digits",
            ) from None
        return number

    def _hint(self, value: Any) -> str:
        if not isinstance(value, str):
            return ""
        if re.fullmatch(r"[\u2212\u2013][0-9.]+", value):
            return f"write the minus as the sign of the keyboard: -{value[1:]}"
        if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", value.strip()):
            return "write a decimal point, not a comma"
        if re.fullmatch(r"[-+]?[0-9]{1,3}(['\u2019\u00a0\u202f ][0-9]{3})+(\.[0-9]+)?", value):
            return "write the digits without anything between them"
        if re.fullmatch(r"[-+]?0[0-9]+(\.[0-9]+)?", value):
            return "write the number without leading zeros"
        if re.fullmatch(r"[-+]?[0-9]*\.?[0-9]+", value):
            if value.lstrip("+-").startswith("."):
                return "write a digit before the point"
            return "write the number without quotes"
        if re.fullmatch(r"[-+]?[0-9.]+[eE][-+]?[0-9]+", value):
            return "write the number out, without an exponent"
        if self.high == 1 and re.fullmatch(r"[0-9]{1,3} ?%", value):
            return _share_hint(Decimal(value.rstrip(" %")))
        if re.match(r"[-+]?[0-9]", value) and self.unit:
            return f"write the bare number; the unit is {self.unit}"
        return ""

    def schema(self) -> dict[str, Any]:
        """JSON Schema with bounds and the unit under ``x-unit``."""
        made: dict[str, Any] = {"type": "number"}
        if self.low is not None:
            made["exclusiveMinimum" if self.above else "minimum"] = json_number(self.low)
        if self.high is not None:
            made["maximum"] = json_number(self.high)
        if self.unit:
            made["x-unit"] = self.unit
        return made


def json_number(value: Decimal) -> int | float:
    """A number as JSON has it."""
    return int(value) if value == value.to_integral_value() else float(value)


def _last_digit_exponent(number: Decimal) -> int:
    """Exponent of the last digit that is not zero."""
    _, digits, exponent = number.as_tuple()
    assert isinstance(exponent, int)
    for digit in reversed(digits):
        if digit:
            break
        exponent += 1
    return exponent


@dataclass(frozen=True)
class Whole(ValueKind):
    """A whole number with bounds; ``unit`` is for the words only."""

    low: int
    high: int
    unit: str = ""

    def words(self) -> str:
        """Kind and unit."""
        return f"whole number of {self.unit}" if self.unit else "whole number"

    def bounds(self) -> str:
        """Bounds in words."""
        if self.high >= LARGEST:
            return f"{self.low} or more"
        return f"{self.low} to {self.high}"

    def read(self, value: Any) -> int:
        """Accept an int inside the bounds."""
        if (
            isinstance(value, Decimal)
            and value == value.to_integral_value()
            and abs(value) > LARGEST
        ):
            raise fault("out-of-range", f"expected at most {self.high}, got {got(value)}")
        hint = Number(self.unit, 1)._hint(value)
        number: int = _only(int, value, f"a {self.words()}", hint)
        if not self.low <= number <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise fault("out-of-range", f"expected {self.bounds()}{unit}, got {got(value)}")
        return number

    def schema(self) -> dict[str, Any]:
        """JSON Schema with bounds."""
        made: dict[str, Any] = {"type": "integer", "minimum": self.low}
        if self.high < LARGEST:
            made["maximum"] = self.high
        if self.unit:
            made["x-unit"] = self.unit
        return made


@dataclass(frozen=True)
class Flag(ValueKind):
    """``true`` or ``false``."""

    def read(self, value: Any) -> bool:
        """Accept a bool."""
        said = value.lower() if isinstance(value, str) else ""
        hint = "write true" if said in ("yes", "on", "y", "true") else ""
        if said in ("no", "off", "n", "false"):
            hint = "write false"
        return bool(_only(bool, value, "true or false", hint))

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"type": "boolean"}


@dataclass(frozen=True)
class Text(ValueKind):
    """Any text of at most ``longest`` characters."""

    longest: int = 2_000
    shortest: int = 0

    def read(self, value: Any) -> str:
        """Accept a text."""
        text: str = _only(str, value, "text", _quoted(value))
        if not self.shortest <= len(text) <= self.longest:
            told = f"expected {self.shortest} to {self.longest} characters, got {len(text)}"
            raise fault("out-of-range", told)
        return text

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        made: dict[str, Any] = {"type": "string", "maxLength": self.longest}
        if self.shortest:
            made["minLength"] = self.shortest
        return made


@dataclass(frozen=True)
class Name(ValueKind):
    """The id of something; ``of`` says of what."""

    of: str = "id"

    def read(self, value: Any) -> str:
        """Accept a text without spaces that starts with a letter or a digit."""
        name: str = _only(str, value, f"a name ({self.of})", _quoted(value))
        if len(name) > LONGEST_ID:
            told = f"expected a name of at most {LONGEST_ID} characters, got {len(name)}"
            raise fault("out-of-range", told)
        if not _ID.match(name):
            hint = "start with a letter or a digit; no spaces"
            if all(_ID.match(part) for part in re.split("[,;]", name.rstrip(",;"))):
                hint = "write spaces between names, and nothing else"
            told = f"expected a name of letters, digits and - _ . +, got {got(name)}"
            raise fault("wrong-kind", told, hint=hint if name else "a name must not be empty")
        return name

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_ID,
            "pattern": r"^[^\s,;#'\"\[\]{}:/]+$",
        }


@dataclass(frozen=True)
class SegmentName(Name):
    """The id of a segment: a name, also one of a switch with a colon and a port behind it."""

    of: str = "segment"

    def read(self, value: Any) -> str:
        """Accept a name, with or without a port behind it."""
        if isinstance(value, str) and (match := _NAME_AND_PORT.match(value)):
            super().read(match[1])
            return value
        return super().read(value)

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        made = super().schema()
        pattern = made["pattern"].removesuffix("$") + r"(:[0-9]{1,6})?$"
        return {**made, "maxLength": LONGEST_ID + len(":100000"), "pattern": pattern}


@dataclass(frozen=True)
class Choice(ValueKind):
    """One word out of a few."""

    of: type[StrEnum]

    def read(self, value: Any) -> StrEnum:
        """Accept one of the words as written."""
        known = [m.value for m in self.of]
        if not isinstance(value, str) or value not in known:
            shown = f"'{value}'" if isinstance(value, str) else got(value)
            hint = did_you_mean(value, known, list_known=False) if isinstance(value, str) else ""
            raise fault("wrong-kind", f"expected one of {', '.join(known)}, got {shown}", hint=hint)
        return self.of(value)

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"enum": [m.value for m in self.of]}


@dataclass(frozen=True)
class Point(ValueKind):
    """Coordinates x, y, z in m."""

    def read(self, value: Any) -> tuple[Decimal, Decimal, Decimal]:
        """Accept three numbers."""
        _only((list, tuple), value, "[x, y, z] in m")
        if len(value) != 3:
            whole = len(value) in (4, 5, 6) and all(type(part) is int for part in value)
            raise fault(
                "wrong-kind", f"expected [x, y, z] in m, got {len(value)} values",
                hint="write a decimal point, not a comma" * whole,
            )  # fmt: skip
        x, y, z = (_inside(_COORDINATE, part, index) for index, part in enumerate(value))
        return x, y, z

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"type": "array", "items": _COORDINATE.schema(), "minItems": 3, "maxItems": 3}


@dataclass(frozen=True)
class Grades(ValueKind):
    """Speed grades as a list of ids, or as a mapping from id to the price of the PHY."""

    def read(self, value: Any) -> tuple[tuple[str, Decimal | None], ...]:
        """Accept a list of names or a mapping from name to price; at least one."""
        _only((list, dict), value, "a list of grades", _as_list(value))
        if not value:
            raise fault("out-of-range", "expected at least 1 grade, got none")
        made: dict[str, Decimal | None] = {}
        for index, name in enumerate(value):
            at = name if isinstance(value, dict) else index
            read = _inside(_GRADE, name, at)
            price = None
            if isinstance(value, dict) and value[name] is not None:
                price = _inside(_PRICE, value[name], at)
            if read in made:
                raise fault("duplicate-name", f"grade '{read}' is listed twice", at=(at,))
            made[read] = price
        return tuple(made.items())

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {
            "anyOf": [
                {"type": "array", "items": _GRADE.schema(), "minItems": 1, "uniqueItems": True},
                {
                    "type": "object",
                    "additionalProperties": {"anyOf": [_PRICE.schema(), {"type": "null"}]},
                    "minProperties": 1,
                },
            ]
        }


@dataclass(frozen=True)
class Names(ValueKind):
    """A list of ids without repeats."""

    of: str
    least: int = 1
    most: int = 1_000_000

    def read(self, value: Any) -> tuple[str, ...]:
        """Accept a list of names."""
        _only((list, tuple), value, f"a list of names ({self.of})", _as_list(value))
        if not self.least <= len(value) <= self.most:
            want = f"{self.least} or more" if self.most > 1_000 else f"{self.least}"
            raise fault("out-of-range", f"expected {want} {plural(self.of)}, got {len(value)}")
        name = Name(self.of)
        made: dict[str, None] = {}
        for index, part in enumerate(value):
            read = _inside(name, part, index)
            if read in made:
                raise fault("duplicate-name", f"'{read}' is listed twice", at=(index,))
            made[read] = None
        return tuple(made)

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        made: dict[str, Any] = {
            "type": "array",
            "items": Name(self.of).schema(),
            "uniqueItems": True,
        }
        if self.least:
            made["minItems"] = self.least
        if self.most <= 1_000:
            made["maxItems"] = self.most
        return made


@dataclass(frozen=True)
class Headings(ValueKind):
    """Headings of a table by the key that each column holds."""

    def read(self, value: Any) -> tuple[tuple[str, str], ...]:
        """Accept a mapping from keys to texts."""
        _only(dict, value, "a mapping from key to heading")
        for key, heading in value.items():
            if not isinstance(heading, str):
                raise fault(
                    "wrong-kind", f"expected a heading, got {got(heading)}",
                    hint=_quoted(heading), at=(key,),
                )  # fmt: skip
        return tuple(value.items())

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"type": "object", "additionalProperties": {"type": "string"}}


@dataclass(frozen=True)
class Values(ValueKind):
    """Values by key, read by the table that they are put into."""

    def read(self, value: Any) -> tuple[tuple[str, Any], ...]:
        """Accept a mapping."""
        _only(dict, value, "a mapping from key to value")
        return tuple(value.items())

    def schema(self) -> dict[str, Any]:
        """JSON Schema."""
        return {"type": "object"}


_COORDINATE = Number("m", UM_PER_M, low=None)
_GRADE = Name("grade")
_PRICE = Number("currency units", MONEY_STEPS)

Metres = Annotated[Decimal, Number("m", UM_PER_M)]
LongMetres = Annotated[Decimal, Number("m", UM_PER_M, above=True)]
Factor = Annotated[Decimal, Number("", PPM, low=Decimal(1), high=Decimal(10))]
Share = Annotated[Decimal, Number("", PPM, high=Decimal(1))]
LoadShare = Annotated[Decimal, Number("", PPM, high=Decimal(1), above=True)]
Money = Annotated[Decimal, Number("currency units", MONEY_STEPS)]
Grams = Annotated[Decimal, Number("g", MG_PER_G)]
GramsPerMetre = Annotated[Decimal, Number("g/m", MG_PER_G)]
Microseconds = Annotated[Decimal, Number("us", NS_PER_US)]
LongMicroseconds = Annotated[Decimal, Number("us", NS_PER_US, above=True)]
LongSeconds = Annotated[
    Decimal, Number("s", NS_PER_US * NS_PER_MS, above=True, high=Decimal(1_000_000))
]
UnitLoads = Annotated[Decimal, Number("unit loads", MUL_PER_UNIT_LOAD)]
Picofarad = Annotated[Decimal, Number("pF", 1_000)]
Yes = Annotated[bool, Flag()]
