"""Methods whose answers an object keeps, since they are asked for again and again."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

Self = TypeVar("Self")
Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")


def kept(
    method: Callable[Concatenate[Self, Asked], Answer],
) -> Callable[Concatenate[Self, Asked], Answer]:
    """Work each answer of a method out once for each object and each set of arguments.

    The answers go with the object, unlike those of :func:`functools.cache`, which outlive it.
    """
    name = f"_kept_{method.__name__}"

    @wraps(method)
    def ask(self: Self, *args: Asked.args, **named: Asked.kwargs) -> Answer:
        known: dict[object, Answer] = self.__dict__.setdefault(name, {})
        key = (args, *named.items()) if named else args
        if key not in known:
            known[key] = method(self, *args, **named)
        return known[key]

    return ask
