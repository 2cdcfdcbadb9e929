"""External quality rounds, and instruments against each other."""

from stanch.verify.external.instruments import Instruments, Pair, compare_instruments
from stanch.verify.external.robust import Consensus, algorithm_a, consensus
from stanch.verify.external.scores import e_n_score, verdicts, z_prime_score, z_score, zeta_score

__all__ = [
    "Consensus",
    "Instruments",
    "Pair",
    "algorithm_a",
    "compare_instruments",
    "consensus",
    "e_n_score",
    "verdicts",
    "z_prime_score",
    "z_score",
    "zeta_score",
]
