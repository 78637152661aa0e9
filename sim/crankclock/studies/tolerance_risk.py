"""How likely a failure is, judged by what part of a sample fails, and how sure that is.

The sample is made of replicates: Sobol sequences, each scrambled on its own. The share that fails in each of them is
an unbiased estimate, and they are independent, so that Student's interval of their mean holds where many fail and many
pass (Owen, Monte Carlo theory, methods and examples, ch. 17, randomized quasi-Monte Carlo). Where few fail, or few
pass, the interval takes in Clopper and Pearson's, exact for so many independent samples (Biometrika 26, 1934): a
sample without a failure does not show that there are none. It is never narrower than what no failure at all leaves
open, since equal replicates do not show that the share is known to the last digit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CONFIDENCE = 0.95

MANY = 32
"""Failures, and passes, in the average replicate from which on Student's interval is taken alone."""


@dataclass(frozen=True)
class Estimate:
    """A probability with its interval of confidence.

    Attributes
    ----------
    probability, low, high : float
    failing, count : int
        So many of the sample fail, of how many.
    """

    probability: float
    low: float
    high: float
    failing: int
    count: int


def estimate(failing: NDArray[np.int64], each: int) -> Estimate:
    """Probability of failing from the failures in every replicate.

    Parameters
    ----------
    failing : array of int, shape (replicates,)
        Two replicates or more.
    each : int
        Samples in each of them.
    """
    from scipy.special import stdtrit

    replicates, total = failing.size, int(failing.sum())
    count = replicates * each
    share = total / count
    scatter = float(np.std(failing / each, ddof=1)) / math.sqrt(replicates)
    half = max(float(stdtrit(replicates - 1, 0.5 + 0.5 * CONFIDENCE)) * scatter, least_supported(count))
    low, high = share - half, share + half
    if min(total, count - total) < MANY * replicates:
        exact = clopper_pearson(total, count)
        low, high = min(low, exact[0]), max(high, exact[1])
    return Estimate(share, max(low, 0.0) if total else 0.0, min(high, 1.0) if total < count else 1.0, total, count)


def clopper_pearson(failing: int, count: int) -> tuple[float, float]:
    """Exact interval of a probability from independent samples."""
    from scipy.special import betaincinv

    tail = 0.5 - 0.5 * CONFIDENCE
    low = float(betaincinv(failing, count - failing + 1, tail)) if failing else 0.0
    high = float(betaincinv(failing + 1, count - failing, 1.0 - tail)) if failing < count else 1.0
    return low, high


def least_supported(count: int) -> float:
    """The smallest probability that so many samples, none of them failing, can show."""
    return 1.0 - math.exp(math.log(0.5 - 0.5 * CONFIDENCE) / count)


def needed(risk: float) -> int:
    """Samples, the next power of two, that show a risk when none of them fails."""
    count = math.log(0.5 - 0.5 * CONFIDENCE) / math.log1p(-risk)
    return 1 << math.ceil(math.log2(count))
