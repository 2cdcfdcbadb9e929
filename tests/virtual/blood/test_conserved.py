import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.virtual.blood.conserved import left_null_space


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(1, 7), st.integers(1, 9), st.integers(0, 2**32))
def test_it_is_a_basis_in_whole_numbers(rows: int, columns: int, seed: int) -> None:
    matrix = np.random.default_rng(seed).integers(-2, 3, (rows, columns))
    found = left_null_space(matrix)
    assert np.all(found @ matrix == 0)
    assert found.shape == (rows - np.linalg.matrix_rank(matrix), rows)
    assert len(found) == 0 or np.linalg.matrix_rank(found) == len(found)
    assert np.all(found == np.round(found))
    assert all(np.gcd.reduce(row.astype(int)) == 1 for row in found)


def test_by_hand() -> None:
    # 2 A -> B: A + 2 B stays.
    assert left_null_space(np.array([[-2], [1]])).tolist() == [[1.0, 2.0]]
