"""Compiled at the first call: the same results, and no compiler until then."""

from __future__ import annotations

import subprocess
import sys

import numpy as np

from stanch.verify.agreement.passing_bablok import _concordance_loop, concordance_loop


def test_the_compiled_function_is_the_same_function() -> None:
    assert concordance_loop.__wrapped__ is _concordance_loop  # type: ignore[attr-defined]
    runs = np.array([0, 2, 3, 5], dtype=np.int64)
    tied = np.array([3, 1, 2, 2, 0], dtype=np.int64)
    assert np.array_equal(concordance_loop(tied, runs), _concordance_loop(tied, runs))


def test_making_one_imports_no_compiler() -> None:
    program = (
        "import sys\nfrom stanch.verify.compiled import compiled\n"
        "twice = compiled(lambda x: 2 * x)\nprint('numba' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
