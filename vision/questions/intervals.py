"""Small samples said honestly: 95 % intervals for shares and means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Z95 = 1.959963984540054


@dataclass(frozen=True)
class Share:
    """hits of n, with the 95 % Wilson interval (E. B. Wilson, JASA 22, 1927). NaN bounds when n = 0."""

    hits: int
    n: int

    @property
    def value(self) -> float:
        return self.hits / self.n if self.n else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        if not self.n:
            return math.nan, math.nan
        p, n, z = self.value, self.n, Z95
        middle = (p + z * z / (2 * n)) / (1 + z * z / n)
        half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
        return max(0.0, middle - half), min(1.0, middle + half)

    def __str__(self) -> str:
        """'8/12  67 % (39–86)'; '–' when there is none."""
        if not self.n:
            return "–"
        low, high = self.interval
        return f"{self.hits}/{self.n}  {self.value:.0%} ({low * 100:.0f}–{high * 100:.0f})".replace("%", " %")


@dataclass(frozen=True)
class Mean:
    """Mean of n values with its 95 % interval by Student's t; half width NaN when n < 2."""

    value: float
    half: float
    n: int
    digits: int = 1

    def __str__(self) -> str:
        """'4.8 ±0.2 (n 42)'; no spread below three values, where it would say nothing."""
        if not self.n:
            return "–"
        spread = f" ±{self.half:.{self.digits}f}" if self.n > 2 else ""
        return f"{self.value:.{self.digits}f}{spread} (n {self.n})"


def mean_of(values: Sequence[float], digits: int = 1) -> Mean:
    """Mean of the known values; blank (NaN, None) ones do not count. digits: decimals when shown."""
    known = [float(v) for v in values if v is not None and math.isfinite(float(v))]
    n = len(known)
    if not n:
        return Mean(math.nan, math.nan, 0, digits)
    mean = sum(known) / n
    if n < 2:
        return Mean(mean, math.nan, n, digits)
    spread = math.sqrt(sum((v - mean) ** 2 for v in known) / (n - 1))
    return Mean(mean, t975(n - 1) * spread / math.sqrt(n), n, digits)


def t975(freedom: int) -> float:
    """97.5 % point of Student's t: Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5), exact closed
    forms for 1 and 2 degrees of freedom. Error below 0.03 from 3 on."""
    if freedom == 1:
        return math.tan(math.pi * 0.475)
    if freedom == 2:
        return 0.95 * math.sqrt(2 / (1 - 0.95**2))
    z, v = Z95, float(freedom)
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    g4 = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return z + g1 / v + g2 / v**2 + g3 / v**3 + g4 / v**4
