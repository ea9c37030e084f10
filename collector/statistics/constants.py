"""The constants of control charts, computed: what the range and the deviation of n normal values come to on average.

Knows: d2, d3, c4, d2* and what follows from them.  W is the range of n values of a normal distribution of deviation 1,
S their standard deviation with n - 1.
Must not know: data.

Sources: the integral of the mean range is L. H. C. Tippett's (Biometrika 17, 1925) [memory]; c4 and the factors of
limits as in the e-Handbook 6.3.2 [memory]; every one is compared with a printed table in the tests.
"""

import math
from functools import cache

import numpy as np
from msgspec import Struct
from scipy.special import ndtr, poch

_FROM, _TO, _STEP = -9.0, 9.0, 0.02                       # past +-9 nothing of a normal distribution is left to a float
_WIDEST, _NODES = 18.0, 120


class Factors(Struct, frozen=True):
    """Factors of limits for subgroups of one size: mean +- a2 * range or a3 * deviation, and so on."""

    a2: float
    a3: float
    d3_low: float
    d4: float
    b3: float
    b4: float


def d2(size: int) -> float:
    """The mean of W.  Raises ValueError below size 2."""
    return _moments(size)[0]


def d3(size: int) -> float:
    """The standard deviation of W.  Raises ValueError below size 2."""
    return _moments(size)[1]


def d2_star(size: int) -> float:
    """The root of the mean of W**2, sqrt(d2**2 + d3**2): what one single range is divided by (one subgroup)."""
    return math.hypot(d2(size), d3(size))


def c4(size: int) -> float:
    """The mean of S: sqrt(2 / (n - 1)) * gamma(n / 2) / gamma((n - 1) / 2).  Raises ValueError below size 2."""
    _at_least_two(size)
    return math.sqrt(2 / (size - 1)) * float(poch((size - 1) / 2, 0.5))


def c5(size: int) -> float:
    """The standard deviation of S: sqrt(1 - c4**2)."""
    return math.sqrt(1 - c4(size) ** 2)


def factors(size: int) -> Factors:
    """A2, A3, D3, D4, B3, B4: three deviations of the mean, the range, the deviation; never below 0."""
    range_share, deviation_share = 3 * d3(size) / d2(size), 3 * c5(size) / c4(size)
    return Factors(
        a2=3 / (d2(size) * math.sqrt(size)), a3=3 / (c4(size) * math.sqrt(size)),
        d3_low=max(0.0, 1 - range_share), d4=1 + range_share,
        b3=max(0.0, 1 - deviation_share), b4=1 + deviation_share)


@cache
def _moments(size: int) -> tuple[float, float]:
    """Mean and deviation of W, from P(W <= w) = n * integral of f(x) * (F(x + w) - F(x))**(n - 1).

    E(W) and E(W**2) are the integrals of P(W > w) and of 2 * w * P(W > w).
    """
    _at_least_two(size)
    x = np.arange(_FROM, _TO, _STEP)                      # a plain sum converges fast: nothing is left at the ends
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    widths, weights = (nodes + 1) * _WIDEST / 2, weights * _WIDEST / 2
    inside = (ndtr(x + widths[:, None]) - ndtr(x)) ** (size - 1)
    wider = 1 - size * _STEP * (inside @ density)
    first, second = float(weights @ wider), float(weights @ (2 * widths * wider))
    return first, math.sqrt(second - first * first)


def _at_least_two(size: int) -> None:
    if size < 2:
        raise ValueError(f"a spread needs at least 2 values, not {size}")
