"""Words of accounts."""

import pytest

from stanch.verify.words import counted


@pytest.mark.parametrize(("n", "said"), [(0, "0 runs"), (1, "1 run"), (2, "2 runs")])
def test_one_is_singular(n: int, said: str) -> None:
    assert counted(n, "run") == said
