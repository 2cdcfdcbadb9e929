"""Functions of one number without branches or calls, and what all kernels are compiled with."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

from numba import njit, types
from numba.extending import intrinsic

__all__: list[str] = []

_LOOSE = {"reassoc", "contract", "nsz", "arcp"}


@intrinsic
def _as_bits(typing_context, value):
    """The bits of a float64 as int64."""
    return types.int64(types.float64), lambda context, builder, _, args: builder.bitcast(
        args[0], context.get_value_type(types.int64)
    )


@intrinsic
def _as_float(typing_context, value):
    """The float64 of these bits."""
    return types.float64(types.int64), lambda context, builder, _, args: builder.bitcast(
        args[0], context.get_value_type(types.float64)
    )


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _exp(x):
    """exp without branches or calls, so that loops over rows become vector instructions."""
    x = min(max(x, -700.0), 700.0)
    # Adding 1.5 * 2^52 rounds to an integer, which then stands in the low bits.
    shifted = x * 1.4426950408889634 + 6755399441055744.0
    k = shifted - 6755399441055744.0
    r = (x - k * 6.93147180369123816490e-01) - k * 1.90821492927058770002e-10
    p = 1.0 / 6227020800
    p = p * r + 1.0 / 479001600
    p = p * r + 1.0 / 39916800
    p = p * r + 1.0 / 3628800
    p = p * r + 1.0 / 362880
    p = p * r + 1.0 / 40320
    p = p * r + 1.0 / 5040
    p = p * r + 1.0 / 720
    p = p * r + 1.0 / 120
    p = p * r + 1.0 / 24
    p = p * r + 1.0 / 6
    p = p * r + 0.5
    p = (p * r + 1.0) * r + 1.0
    return _as_float(_as_bits(p) + (_as_bits(shifted) << 52))


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _cos_sin(x):
    """Cosine and sine without branches or calls, for magnitudes up to a million."""
    shifted = x * 0.6366197723675814 + 6755399441055744.0
    k = shifted - 6755399441055744.0
    r = x - k * 1.57079632673412561417
    r = (r - k * 6.07710050630396597660e-11) - k * 2.02226624879595063154e-21
    u = r * r
    p = 1.0 / 355687428096000
    p = p * u - 1.0 / 1307674368000
    p = p * u + 1.0 / 6227020800
    p = p * u - 1.0 / 39916800
    p = p * u + 1.0 / 362880
    p = p * u - 1.0 / 5040
    p = p * u + 1.0 / 120
    p = p * u - 1.0 / 6
    sine = r + r * (u * p)
    p = 1.0 / 20922789888000
    p = p * u - 1.0 / 87178291200
    p = p * u + 1.0 / 479001600
    p = p * u - 1.0 / 3628800
    p = p * u + 1.0 / 40320
    p = p * u - 1.0 / 720
    p = p * u + 1.0 / 24
    p = p * u - 0.5
    cosine = 1.0 + u * p
    quadrant = _as_bits(shifted)
    odd = (quadrant & 1) != 0
    a = sine if odd else cosine
    b = cosine if odd else sine
    return (-a if ((quadrant + 1) & 2) != 0 else a), (-b if (quadrant & 2) != 0 else b)


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _phi(x, e):
    """(1 - exp(-x))/x and its slope, given e = exp(-x)."""
    near = abs(x) < 0.5
    y = -x if near else 0.0
    p, d = 1.0 / 1307674368000, 14.0 / 1307674368000
    p = p * y + 1.0 / 87178291200
    d = d * y + 13.0 / 87178291200
    p = p * y + 1.0 / 6227020800
    d = d * y + 12.0 / 6227020800
    p = p * y + 1.0 / 479001600
    d = d * y + 11.0 / 479001600
    p = p * y + 1.0 / 39916800
    d = d * y + 10.0 / 39916800
    p = p * y + 1.0 / 3628800
    d = d * y + 9.0 / 3628800
    p = p * y + 1.0 / 362880
    d = d * y + 8.0 / 362880
    p = p * y + 1.0 / 40320
    d = d * y + 7.0 / 40320
    p = p * y + 1.0 / 5040
    d = d * y + 6.0 / 5040
    p = p * y + 1.0 / 720
    d = d * y + 5.0 / 720
    p = p * y + 1.0 / 120
    d = d * y + 4.0 / 120
    p = p * y + 1.0 / 24
    d = d * y + 3.0 / 24
    p = p * y + 1.0 / 6
    d = d * y + 2.0 / 6
    p = p * y + 1.0 / 2
    d = d * y + 1.0 / 2
    p = p * y + 1.0 / 1
    far = 1.0 if near else x
    return (p if near else (1.0 - e) / far), (-d if near else ((1.0 + x) * e - 1.0) / (far * far))
