"""What lies where in a recording file, and how records become attributes and back.

The layout is documented for readers of other programs in ``docs/reference/recording-format.md``.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any, TypeVar

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, IntegrityError, RecordingError
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, SignalKind, Well
from stanch.recording.times import utc_text

__all__ = [
    "COLUMNS",
    "ECHO_DTYPES",
    "NOTE_BYTES",
    "SCHEMA",
    "WellLayout",
    "block_shape",
    "clean_text",
    "read_counter",
    "read_record",
    "well_group",
    "write_record",
]

SCHEMA = "stanch.recording/1"
ECHO_DTYPES = ("int16", "int32", "float32")
KINDS: tuple[SignalKind, ...] = ("echo", "displacement", "modulus")
COLUMNS: dict[str, tuple[str, ...]] = {
    "echo": (),
    "displacement": ("displacement_sd",),
    "modulus": ("viscosity", "loss_modulus", "modulus_sd"),
}
"""What may accompany a push, by kind of well: given at every push of the well or at none."""

TEXT_BYTES = 4096
NOTE_BYTES = 1024
_TIMES = frozenset({"activated_at", "drawn_at", "received_at", "started_at"})

Record = TypeVar("Record", Acquisition, Geometry, Well, SampleFacts, Additive)


@dataclass(frozen=True)
class WellLayout:
    """What one well of a new recording will hold.

    Parameters
    ----------
    well : Well
    kind : str
        echo, displacement or modulus.
    frame_time : ndarray, shape (frame,), or None
        From the start of the push, negative before it [s]; None for a modulus well.
    geometry : Geometry or None
        None: the recording's.
    sample_count : int or None
        Samples of an echo line; echo wells only.
    dtype : str
        int16, int32 or float32; echo wells only.
    frequency : float or None
        At which a modulus was measured, None unknown; modulus wells only [Hz].
    """

    well: Well
    kind: SignalKind
    frame_time: NDArray[Any] | None
    geometry: Geometry | None = None
    sample_count: int | None = None
    dtype: str = "int16"
    frequency: float | None = None


def well_group(index: int) -> str:
    """The group of the well at this place."""
    return f"wells/{index:03d}"


def clean_text(text: object, where: str, *, limit: int = TEXT_BYTES, lines: bool = False) -> str:
    """Text as it is stored: NFC, without control characters, within the limit.

    Raises
    ------
    RecordingError
        If it is not text, has control characters or is too long.
    """
    if not isinstance(text, str):
        raise RecordingError(where, got=text, allowed="text", do="Correct the value.")
    clean = unicodedata.normalize("NFC", text)
    bad = [c for c in clean if unicodedata.category(c) in ("Cc", "Cs") and not (lines and c in "\n\t")]
    if bad:
        raise RecordingError(where, got=text, allowed="text without control characters", do="Remove them.")
    size = len(clean.encode())
    if size > limit:
        raise RecordingError(where, got=f"{size} bytes", allowed=f"up to {limit} bytes of UTF-8", do="Shorten it.")
    return clean


def _form(annotation: object) -> str:
    text = str(annotation)
    for form in ("float", "int", "bool", "tuple[str", "tuple[Additive"):
        if text.startswith(form):
            return form
    return "str"


def set_attribute(group: h5py.Group, name: str, value: object) -> None:
    """Write one fact; None is unknown and stays absent."""
    if value is None:
        return
    if isinstance(value, str):
        data = value.encode()
        group.attrs.create(name, np.bytes_(data), dtype=h5py.string_dtype("utf-8", max(1, len(data))))
    elif isinstance(value, tuple):
        rows = [str(v).encode() for v in value]
        width = max([1, *map(len, rows)])
        group.attrs.create(name, np.array(rows, dtype=f"S{width}"), dtype=h5py.string_dtype("utf-8", width))
    elif isinstance(value, (bool, int)):
        group.attrs.create(name, np.int64(value))
    else:
        group.attrs.create(name, np.float64(value))  # type: ignore[arg-type]


def write_record(group: h5py.Group, record: Acquisition | Geometry | Well | SampleFacts | Additive) -> None:
    """Write every known fact of a record as an attribute."""
    for name, value in facts(record).items():
        if name == "additives":
            for i, additive in enumerate(value):
                write_record(group.create_group(f"additives/{i:03d}"), additive)
        else:
            set_attribute(group, name, value)


def facts(record: object, where: str = "") -> dict[str, Any]:
    """The known facts of a record, cleaned: NFC text, UTC times, finite numbers.

    Raises
    ------
    RecordingError
        If a fact cannot be stored.
    """
    found: dict[str, Any] = {}
    for field in fields(record):  # type: ignore[arg-type]
        value = getattr(record, field.name)
        if value is not None:
            found[field.name] = _clean(value, _form(field.type), field.name, f"{where}{field.name}")
    return found


def _clean(value: Any, form: str, name: str, where: str) -> Any:
    if form == "tuple[Additive":
        return tuple(value)
    if form == "tuple[str":
        return tuple(clean_text(v, where) for v in value)
    if form == "bool":
        return bool(value)
    if form in ("float", "int"):
        try:
            number = float(value)
        except (TypeError, ValueError, OverflowError):
            raise RecordingError(where, got=value, allowed="a number", do="Correct it.") from None
        if not math.isfinite(number):
            raise RecordingError(where, got=value, allowed="a finite number", do="Correct it or leave it unknown.")
        return int(value) if form == "int" else number
    text = clean_text(value, where)
    return utc_text(text, where) if name in _TIMES else text


def get_attribute(group: h5py.Group, name: str, form: str, where: str) -> Any:
    """Read one fact; absent is None.

    Raises
    ------
    RecordingError
        If it is stored in another form.
    """
    if name not in group.attrs:
        return None
    value = group.attrs[name]
    try:
        if form == "str":
            return _decode(value)
        if form == "tuple[str":
            return tuple(_decode(v) for v in np.atleast_1d(value))
        scalar = np.asarray(value).reshape(-1)
        if scalar.size != 1 or scalar.dtype.kind not in "fiub" or not np.isfinite(scalar[0]):
            raise ValueError
        return {"float": float, "int": int, "bool": bool}[form](scalar[0])
    except (TypeError, ValueError, UnicodeError, AttributeError):
        allowed = {"str": "UTF-8 text", "tuple[str": "an array of UTF-8 text"}.get(form, "one finite number")
        raise RecordingError(f"{where}@{name}", got=repr(value), allowed=allowed, do="The file was altered.") from None


def _decode(value: Any) -> str:
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, bytes):
        value = value.decode()
    if not isinstance(value, str):
        raise TypeError
    value.encode()
    return value


def read_record(kind: type[Record], group: h5py.Group, where: str, extra: Mapping[str, Any] | None = None) -> Record:
    """Build a record from the attributes of a group.

    Raises
    ------
    RecordingError
        If a required fact is missing or a fact is not allowed.
    """
    values: dict[str, Any] = dict(extra or {})
    for field in fields(kind):
        if field.name in values:
            continue
        form = _form(field.type)
        if form == "tuple[Additive":
            values[field.name] = _additives(group, where)
            continue
        value = get_attribute(group, field.name, form, where)
        if value is None and field.default is MISSING:
            raise RecordingError(f"{where}@{field.name}", got="nothing", allowed=f"a {form}", do="It is required.")
        if value is not None:
            values[field.name] = utc_text(value, f"{where}@{field.name}") if field.name in _TIMES else value
    try:
        return kind(**values)
    except InputError as error:
        raise RecordingError(f"{where}@{error.where}", got=error.got, allowed=error.allowed, do=error.do) from None


def _additives(group: h5py.Group, where: str) -> tuple[Additive, ...]:
    found = group.get("additives")
    if found is None:
        return ()
    return tuple(read_record(Additive, found[name], f"{where}/additives/{name}") for name in sorted(found))


def block_shape(layout: WellLayout, acquisition: Acquisition | None) -> tuple[int, ...]:
    """Shape of one push of a well: () for a modulus, (frame,) for a displacement, (frame, sample) for an echo.

    IQ echoes have a last axis of two.
    """
    if layout.kind == "modulus":
        return ()
    frames = 0 if layout.frame_time is None else len(layout.frame_time)
    if layout.kind == "displacement":
        return (frames,)
    form = (2,) if acquisition is not None and acquisition.echo_form == "iq" else ()
    return (frames, layout.sample_count or 0, *form)


def read_counter(dataset: h5py.Dataset, where: str) -> int:
    """A committed count, guarded by its complement.

    Raises
    ------
    IntegrityError
        If the two do not belong together.
    """
    pair = np.asarray(dataset[()]).reshape(-1)
    if pair.size != 2 or pair.dtype.kind not in "iu" or int(pair[0]) + int(pair[1]) != -1 or pair[0] < 0:
        raise IntegrityError(where, got=pair.tolist(), allowed="a count n and -1 - n", do="Run verify.")
    return int(pair[0])
