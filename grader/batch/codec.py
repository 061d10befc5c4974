"""Records to plain JSON values and back, without loss: what a finished photo is kept as.

Driven by the types in :mod:`grader.records`, so that a new field there needs no change here.  Not pickle: a
kept file must never be able to run anything.
"""

from __future__ import annotations

import base64
import collections.abc
import dataclasses
import functools
import math
import types
import typing
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

ARRAY_TYPES = ("float64", "float32", "int64", "int32", "uint8", "bool")
"""Numbers that an array may hold."""


def to_plain(value: Any) -> Any:
    """Return a record as values that JSON holds exactly.

    Floats go as their shortest exact text, "nan", "inf", "-inf" as texts; arrays as type, shape and base64.

    Raises
    ------
    TypeError
        If a value is of a kind that no record holds.

    Examples
    --------
    >>> to_plain((1.5, math.nan, None, Path("a.jpg")))
    [1.5, 'nan', None, 'a.jpg']
    """
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Enum):
        return value.name
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else repr(value)
    if isinstance(value, np.ndarray):
        data = np.ascontiguousarray(value)
        little = data.astype(data.dtype.newbyteorder("<"), copy=False)
        return [data.dtype.name, list(value.shape), base64.b64encode(little.tobytes()).decode("ascii")]
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, collections.abc.Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    raise TypeError(f"no record holds a {type(value).__name__}")


def from_plain(kind: Any, plain: Any) -> Any:
    """Return the record of a type from its plain values.

    Raises
    ------
    ValueError
        If the values do not fit the type: the file is not ours, or of another version.

    Examples
    --------
    >>> from_plain(tuple[float, ...], [1.5, "nan"])
    (1.5, nan)
    """
    return _reader(kind)(plain)


Reader = typing.Callable[[Any], Any]


@functools.cache
def _reader(kind: Any) -> Reader:
    """Return the function that reads one type: made once, since a photo holds thousands of values."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return _union_reader(arguments)
    if origin is np.ndarray or kind is np.ndarray:
        return _array
    if origin is tuple:
        return _tuple_reader(arguments)
    if origin is collections.abc.Mapping:
        return _mapping_reader(arguments[1])
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _record_reader(kind)
    return functools.partial(_simple, kind)


def _mapping_reader(kind: Any) -> Reader:
    read = _reader(kind)

    def mapping(plain: Any) -> dict[str, Any]:
        if not isinstance(plain, dict):
            raise ValueError("a mapping was expected")
        return {key: read(item) for key, item in plain.items()}

    return mapping


def _record_reader(kind: type) -> Reader:
    names = {f.name for f in dataclasses.fields(kind)}
    hints = {name: hint for name, hint in typing.get_type_hints(kind).items() if name in names}
    readers = {name: _reader(hint) for name, hint in hints.items()}

    def record(plain: Any) -> Any:
        if not isinstance(plain, dict) or set(plain) != names:
            raise ValueError(f"the fields of {kind.__name__} were expected")
        return kind(**{name: read(plain[name]) for name, read in readers.items()})

    return record


def _union_reader(arguments: tuple[Any, ...]) -> Reader:
    (kind,) = (argument for argument in arguments if argument is not type(None))
    read, may_be_none = _reader(kind), type(None) in arguments

    def union(plain: Any) -> Any:
        return None if plain is None and may_be_none else read(plain)

    return union


def _tuple_reader(arguments: tuple[Any, ...]) -> Reader:
    is_open = arguments[1:] == (Ellipsis,)
    readers = [_reader(kind) for kind in (arguments[:1] if is_open else arguments)]

    def values(plain: Any) -> tuple[Any, ...]:
        if not isinstance(plain, list):
            raise ValueError("a list was expected")
        if is_open:
            return tuple(map(readers[0], plain))
        if len(readers) != len(plain):
            raise ValueError(f"{len(readers)} values were expected, not {len(plain)}")
        return tuple(read(item) for read, item in zip(readers, plain, strict=True))

    return values


def _array(plain: Any) -> NDArray[Any]:
    if not isinstance(plain, list) or len(plain) != 3 or plain[0] not in ARRAY_TYPES:
        raise ValueError("an array was expected")
    name, shape, text = plain
    if not isinstance(shape, list) or not isinstance(text, str):
        raise ValueError("an array was expected")
    data = base64.b64decode(text, validate=True)
    try:
        values = np.frombuffer(data, dtype=np.dtype(name).newbyteorder("<")).reshape(shape)
    except TypeError as problem:
        raise ValueError("the shape of an array was expected") from problem
    result = values.astype(np.dtype(name))
    result.setflags(write=False)
    return result


def _simple(kind: Any, plain: Any) -> Any:
    if kind is float:
        if type(plain) is float:
            return plain
        if isinstance(plain, int | float) and not isinstance(plain, bool):
            return float(plain)
        if plain in ("nan", "inf", "-inf"):
            return float(plain)
    elif kind in (int, str, bool):
        if type(plain) is kind:
            return plain
    elif isinstance(plain, str):
        if kind is Path:
            return Path(plain)
        if kind is datetime:
            return datetime.fromisoformat(plain)
        if isinstance(kind, type) and issubclass(kind, Enum) and plain in kind.__members__:
            return kind[plain]
    raise ValueError(f"{getattr(kind, '__name__', kind)} was expected")
