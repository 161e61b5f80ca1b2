"""Properties found once an instance, on first use, by whichever thread asks first."""

from collections.abc import Callable
from threading import Lock
from typing import Any, Generic, Self, TypeVar, overload

_Value = TypeVar("_Value")


class once(Generic[_Value]):  # noqa: N801 - a decorator, as property is
    """A property found on first use and kept in the instance; threads that need it wait for it.

    `instance.__dict__.pop(name, None)` lets go of it.

    Notes
    -----
    functools.cached_property has one lock for all instances in Python 3.11, where references of
    different groups would wait for each other, and none from 3.12 on, where threads would find the
    same thing twice.
    """

    def __init__(self, find: Callable[[Any], _Value]) -> None:
        self._find, self._name = find, find.__name__
        self.__doc__ = find.__doc__

    @overload
    def __get__(self, instance: None, owner: type) -> Self: ...

    @overload
    def __get__(self, instance: object, owner: type) -> _Value: ...

    def __get__(self, instance: object | None, owner: type) -> Self | _Value:
        if instance is None:
            return self
        kept, lock_name = instance.__dict__, f"lock of {self._name}"
        lock: Lock = kept.setdefault(lock_name, Lock())
        with lock:
            if self._name not in kept:
                kept[self._name] = self._find(instance)
            kept.pop(lock_name, None)
            value: _Value = kept[self._name]
        return value
