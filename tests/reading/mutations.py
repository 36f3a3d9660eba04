"""Spoilt copies of right problems, made by a seed: the same number gives the same files."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

Files = dict[str, bytes]
"""Content by file name; ``problem.yaml`` and ``layout.yaml`` are always there."""

NUMBERS = [
    *("0", "1", "2", "-1", "0.5", "0.000001", "1e9", "255", "256", "65536", "1000000"),
    *("4294967296", "1099511", "1099512", "9007199254740993", "99999999999999999999"),
    *("9" * 50, "0." + "0" * 30 + "1", ".5", "1,5", "0x10", "1:30", ".inf", ".nan", "1_000"),
]
WORDS = [
    *("true", "false", "null", "~", "yes", "", "''", '""', "[]", "{}", "[1, 2]", "{a: 1}"),
    *("[[]]", "!!python/name:os.system", "&a x", "*a", "<<", "|", ">", "?", "-", "- -", "%x"),
    *("10BASE-T1S-multidrop", "100BASE-T1", "straight", "tree", "ring", "apart-switch"),
    *("sporadic", "fifo", "x" * 70, "x" * 3_000, "../../etc/passwd", "/dev/zero", "."),
]
CHARACTERS = [
    *("\0", "\x07", "\x1b[31m", "\x7f", "\x85", "\u2028", "\u202e", "\ufeff", "\ufffe"),
    *("é", "ß", "Σ", "中", "🚌", "\u0301", "\u00a0", "\u200b", "\t", "\r", "\r\n", "\n"),
    *("'", '"', ":", ": ", "#", " #", ",", "[", "]", "{", "}", "&", "*", "|", "%", "@", "`"),
]
_NUMBER = re.compile(r"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.-])")
_TOKEN = re.compile(r"[\w.+-]+")

Change = Callable[[random.Random, str], str]


def _at(chance: random.Random, text: str) -> int:
    return chance.randrange(len(text) + 1)


def other_number(chance: random.Random, text: str) -> str:
    found = list(_NUMBER.finditer(text))
    if not found:
        return text
    it = chance.choice(found)
    if chance.random() < 0.5:
        new = chance.choice(NUMBERS)
    else:
        new = f"{float(it[0]) * 10.0 ** chance.randint(-6, 9):.6f}".rstrip("0").rstrip(".")
    return text[: it.start()] + new + text[it.end() :]


def other_word(chance: random.Random, text: str) -> str:
    found = list(_TOKEN.finditer(text))
    if not found:
        return text
    it = chance.choice(found)
    return text[: it.start()] + chance.choice(WORDS) + text[it.end() :]


def swapped_tokens(chance: random.Random, text: str) -> str:
    found = list(_TOKEN.finditer(text))
    if len(found) < 2:
        return text
    a, b = sorted(chance.sample(range(len(found)), 2))
    one, two = found[a], found[b]
    return (
        text[: one.start()] + two[0] + text[one.end() : two.start()] + one[0] + text[two.end() :]
    )


def repeated_token(chance: random.Random, text: str) -> str:
    """Put one token in place of another: names that exist, in the wrong place."""
    found = list(_TOKEN.finditer(text))
    if len(found) < 2:
        return text
    one, two = chance.sample(found, 2)
    return text[: one.start()] + two[0] + text[one.end() :]


def _lines(change: Callable[[random.Random, list[str]], None]) -> Change:
    def changed(chance: random.Random, text: str) -> str:
        lines = text.split("\n")
        change(chance, lines)
        return "\n".join(lines)

    changed.__name__ = change.__name__
    return changed


@_lines
def line_twice(chance: random.Random, lines: list[str]) -> None:
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))


@_lines
def line_gone(chance: random.Random, lines: list[str]) -> None:
    del lines[chance.randrange(len(lines))]


@_lines
def line_moved(chance: random.Random, lines: list[str]) -> None:
    line = lines.pop(chance.randrange(len(lines)))
    lines.insert(chance.randrange(len(lines) + 1), line)


@_lines
def block_gone(chance: random.Random, lines: list[str]) -> None:
    start = chance.randrange(len(lines))
    del lines[start : start + chance.randint(2, 12)]


@_lines
def line_many_times(chance: random.Random, lines: list[str]) -> None:
    number = chance.randrange(len(lines))
    lines[number:number] = [lines[number]] * chance.choice([10, 300, 3_000])


@_lines
def indented_otherwise(chance: random.Random, lines: list[str]) -> None:
    number = chance.randrange(len(lines))
    by = chance.randint(-3, 3)
    lines[number] = " " * by + lines[number] if by > 0 else lines[number][-by:]


def character_added(chance: random.Random, text: str) -> str:
    at = _at(chance, text)
    return text[:at] + chance.choice(CHARACTERS) + text[at:]


def character_gone(chance: random.Random, text: str) -> str:
    at = _at(chance, text)
    return text[:at] + text[at + 1 :]


def cut_off(chance: random.Random, text: str) -> str:
    return text[: _at(chance, text)]


def key_elsewhere(chance: random.Random, text: str) -> str:
    """Take one `key: value` of a flow mapping and put it into another."""
    found = list(re.finditer(r"[a-z_]+: [^,{}\[\]\n]+(?=[,}])", text))
    if len(found) < 2:
        return text
    one, two = chance.sample(found, 2)
    return text[: two.start()] + one[0] + ", " + text[two.start() :]


def separator_otherwise(chance: random.Random, text: str) -> str:
    return text.replace(",", chance.choice([";", "\t", " ", "|"]), chance.choice([1, 5, -1]))


CHANGES: list[tuple[Change, int]] = [
    (other_number, 10), (other_word, 5), (swapped_tokens, 3), (repeated_token, 4),
    (line_twice, 3), (line_gone, 3), (line_moved, 2), (block_gone, 2), (line_many_times, 1),
    (indented_otherwise, 2), (character_added, 4), (character_gone, 3), (cut_off, 1),
    (key_elsewhere, 4), (separator_otherwise, 1),
]  # fmt: skip


def bytes_changed(chance: random.Random, content: bytes) -> bytes:
    made = bytearray(content)
    for _ in range(chance.choice([1, 1, 2, 8])):
        if made:
            made[chance.randrange(len(made))] = chance.randrange(256)
    return bytes(made)


def spoilt(files: Files, seed: int) -> tuple[Files, list[str]]:
    """Change one to three things in a copy of some files; give them and what was done."""
    chance = random.Random(seed)
    made = dict(files)
    done = []
    # Numbers that stay plausible get further into the program than anything else.
    gentle = chance.random() < 0.3
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        names = sorted(made)
        name = chance.choices(names, [6 if n == "problem.yaml" else 2 for n in names])[0]
        if not gentle and chance.random() < 0.1:
            made[name] = bytes_changed(chance, made[name])
            done.append(f"{name}: bytes")
            continue
        text = made[name].decode("utf-8", "surrogateescape")
        changes, weights = zip(*CHANGES, strict=True)
        change = other_number if gentle else chance.choices(changes, weights)[0]
        made[name] = change(chance, text).encode("utf-8", "surrogateescape")
        done.append(f"{name}: {change.__name__}")
    return made, done


@dataclass(frozen=True)
class Case:
    """One spoilt problem on disk."""

    seed: int
    base: str
    done: tuple[str, ...]
    problem: Path
    layout: Path


def write_case(bases: dict[str, Files], seed: int, folder: Path) -> Case:
    """Write the spoilt problem of a seed into ``folder``, in place of the one before."""
    names = sorted(bases)
    base = names[seed % len(names)]
    files, done = spoilt(bases[base], seed)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return Case(seed, base, tuple(done), folder / "problem.yaml", folder / "layout.yaml")
