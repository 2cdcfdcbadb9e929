from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import IntegrityError
from stanch.recording import chunks
from stanch.recording.chunks import fletcher32, read_rows, unshuffle


def hdf5_chunk(path: Path, data: bytes, itemsize: int = 1, **filters: object) -> bytes:
    """What HDF5 stores for these bytes."""
    array = np.frombuffer(data, dtype=f"V{itemsize}" if itemsize not in (1, 2, 4, 8) else f"u{itemsize}")
    with h5py.File(path, "w") as file:
        dataset = file.create_dataset("a", data=array, chunks=array.shape, **filters)
        return bytes(dataset.id.read_direct_chunk((0,))[1])


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.binary(min_size=1, max_size=2000)
    | st.integers(1, 3000).map(bytes)
    | st.integers(1, 999).map(lambda n: b"\xff" * n)
)
def test_fletcher32_is_that_of_hdf5(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    stored = hdf5_chunk(tmp_path_factory.getbasetemp() / "f.h5", data, fletcher32=True)
    assert stored[:-4] == data
    assert fletcher32(data) == int.from_bytes(stored[-4:], "little")


@pytest.mark.parametrize("size", [721, 1440, 65536, 131072, 3_000_001])
def test_fletcher32_of_long_data_is_that_of_hdf5(tmp_path: Path, size: int) -> None:
    data = np.random.default_rng(size).bytes(size)
    stored = hdf5_chunk(tmp_path / "f.h5", data, fletcher32=True)
    assert fletcher32(data) == int.from_bytes(stored[-4:], "little")


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.sampled_from([1, 2, 4, 8]), st.integers(1, 200), st.integers(0, 99))
def test_unshuffle_undoes_that_of_hdf5(
    tmp_path_factory: pytest.TempPathFactory, itemsize: int, count: int, seed: int
) -> None:
    data = np.random.default_rng(seed).bytes(itemsize * count)
    stored = hdf5_chunk(tmp_path_factory.getbasetemp() / "s.h5", data, itemsize, shuffle=True)
    out = np.empty(len(data), dtype=np.uint8)
    unshuffle(stored, out, itemsize)
    assert out.tobytes() == data


@pytest.mark.parametrize("filters", [
    {},
    {"fletcher32": True},
    {"compression": 4},
    {"shuffle": True, "compression": 1},
    {"shuffle": True, "compression": 9, "fletcher32": True},
    {"compression": "lzf"},
], ids=str)  # fmt: skip
@pytest.mark.parametrize("dtype", ["<i2", ">i2", "<i4", "<f4", "<f8", "S7"])
def test_rows_equal_those_of_h5py(tmp_path: Path, filters: dict[str, object], dtype: str) -> None:
    rng = np.random.default_rng(3)
    data = rng.integers(-99, 99, (5, 6, 7)).astype(dtype)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        dataset = file.create_dataset("a", data=data, chunks=(1, 6, 7), maxshape=(None, 6, 7), **filters)
        for start, stop in ((0, 5), (2, 3), (4, 4)):
            rows = read_rows(dataset, start, stop, "a, push")
            np.testing.assert_array_equal(rows, dataset[start:stop])
            assert rows.dtype.isnative
            assert rows.flags.writeable


def test_a_chunk_that_was_never_written_is_not_read_as_zeros(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        dataset = file.create_dataset("a", shape=(0, 3), maxshape=(None, 3), chunks=(1, 3), dtype="i2")
        dataset.resize(3, axis=0)
        dataset[0] = dataset[2] = 1
        with pytest.raises(IntegrityError, match="a, push 1; got"):
            read_rows(dataset, 0, 3, "a, push")
        with pytest.raises(IntegrityError, match="a, push 3; got nothing; allowed: the committed entry"):
            read_rows(dataset, 2, 4, "a, push")


def test_a_push_that_would_fill_the_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        dataset = file.create_dataset("a", shape=(1, 1 << 40), chunks=(1, 1 << 20), dtype="i2")
        with pytest.raises(IntegrityError, match="bytes per push; allowed: up to 268435456"):
            read_rows(dataset, 0, 1, "a, push")
    assert chunks.MAX_PUSH_BYTES == 1 << 28


def test_a_stream_longer_than_the_push_is_refused(tmp_path: Path) -> None:
    import zlib

    with h5py.File(tmp_path / "a.h5", "w") as file:
        dataset = file.create_dataset("a", shape=(1, 10), chunks=(1, 10), dtype="u1", compression=1)
        dataset.id.write_direct_chunk((0, 0), zlib.compress(bytes(10**7)))
        with pytest.raises(IntegrityError, match="a, push 0; got broken compression"):
            read_rows(dataset, 0, 1, "a, push")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.binary(min_size=2, max_size=3000) | st.integers(1, 9999).map(lambda n: b"\xff" * n) | st.just(bytes(5000)))
def test_the_compiled_byte_loops_equal_the_plain_ones(data: bytes) -> None:
    from stanch.recording import chunk_kernel

    assert int(chunk_kernel.fletcher32(np.frombuffer(data, dtype=np.uint8))) == fletcher32(data)
    even = data[: len(data) // 2 * 2]
    plain, compiled = np.empty(len(even), np.uint8), np.empty(len(even), np.uint8)
    unshuffle(even, plain, 2)
    chunk_kernel.unshuffle2(np.frombuffer(even, dtype=np.uint8), compiled.view(np.uint16))
    assert plain.tobytes() == compiled.tobytes()
