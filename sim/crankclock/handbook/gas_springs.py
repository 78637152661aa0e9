"""Gas springs by the force their maker gives at the end of the stroke, and what wears and heats them.

The law is that of the running reading: F0 (1 - q u)^-n over the compression u, with the share q of the gas
volume lost per length taken from an isothermal end force.
"""

from __future__ import annotations

import numpy as np

from crankclock.handbook.values import Flags, Floats, from_zero, positive, require

AT_SPEED = 1.4
"""Polytropic exponent at the speed of a press, about 150 bar.

Read in a maker's technical pages (sportdocbox.com, document 66021500).
"""

PISTON_SPEED = 1.6
"""Usual rated piston speed [m/s]; makers' practice, from memory."""

STROKE_SOURCE = "Gas-Spring Safety, MetalForming, February 2018"

STROKE_SHARE = 0.9
"""Share of its rated stroke that a gas spring is to be used by at most: `STROKE_SOURCE`."""

WARM_SPEED = 4.0 / 60.0
"""Stroke times stroke rate [m/s] above which a gas spring is taken to run warm: 4 m/min.

Common practice: no published limit was found, makers give one for each model.
"""

WARM_BASIS = (
    "Common practice, no published source: above 4 m of stroke a minute a gas spring runs warm; "
    "its force rises and its seals age. The maker's strokes a minute for the model decide."
)


def volume_loss(force: Floats, end_force: Floats, travel: Floats) -> Floats:
    """Share q of the gas volume lost per length of compression: (1 - force / end_force) / travel.

    Parameters
    ----------
    force, end_force : float or array, shape (n,)
        At the free position, and isothermal at the full rated travel [N].
    travel : float or array, shape (n,)
        Rated [m].

    Returns
    -------
    float or array, shape (n,)
        [1/m].

    Raises
    ------
    FigureError
        A value is not above 0, or the end force is below the force.
    """
    positive(force, "force", "N")
    positive(travel, "rated travel", "m")
    require(
        np.isfinite(end_force) & (np.asarray(end_force) >= force), end_force, "end force", "N", "at least the force"
    )
    return (1.0 - force / end_force) / travel


def gas_force(force: Floats, end_force: Floats, travel: Floats, compression: Floats, exponent: Floats = 1.0) -> Floats:
    """Force of a gas spring at a compression: F0 (1 - q u)^-n.

    Parameters
    ----------
    force, end_force, travel : float or array, shape (n,)
        As for `volume_loss` [N], [N], [m].
    compression : float or array, shape (n,)
        From the free position, u [m].
    exponent : float or array, shape (n,)
        Polytropic exponent n: 1 isothermal, about `AT_SPEED` when running.

    Returns
    -------
    float or array, shape (n,)
        [N].

    Raises
    ------
    FigureError
        As for `volume_loss`; a compression below 0 or beyond the rated travel; an exponent below 1.

    Examples
    --------
    >>> round(gas_force(1000.0, 1600.0, 0.05, 0.04), 1)
    1428.6
    """
    loss = volume_loss(force, end_force, travel)
    inside = (np.asarray(compression) >= 0.0) & (np.asarray(compression) <= np.asarray(travel) * (1.0 + 1e-12))
    require(inside, compression, "compression", "m", "0 or more, and within the rated travel")
    require(np.isfinite(exponent) & (np.asarray(exponent) >= 1.0), exponent, "exponent", "", "1 or more")
    return force * (1.0 - loss * compression) ** -exponent


def needed_travel(compression: Floats) -> Floats:
    """Least rated travel of a gas spring that is compressed so far: compression / `STROKE_SHARE`.

    Parameters
    ----------
    compression : float or array, shape (n,)
        Greatest [m].

    Returns
    -------
    float or array, shape (n,)
        [m].

    Raises
    ------
    FigureError
        The compression is below 0.
    """
    from_zero(compression, "compression", "m")
    return compression / STROKE_SHARE


def runs_warm(stroke: Floats, rate: Floats) -> Flags:
    """Whether a gas spring is taken to run warm, by `WARM_SPEED`; say `WARM_BASIS` with it.

    Parameters
    ----------
    stroke : float or array, shape (n,)
        By which it is compressed in each press stroke [m].
    rate : float or array, shape (n,)
        Stroke rate [1/s].

    Returns
    -------
    bool or array, shape (n,)

    Raises
    ------
    FigureError
        A value is below 0.
    """
    from_zero(stroke, "stroke", "m")
    from_zero(rate, "stroke rate", "/s")
    return np.asarray(stroke) * rate > WARM_SPEED


def warm_rate(stroke: Floats) -> Floats:
    """Stroke rate [1/s] above which a gas spring is taken to run warm, by `WARM_SPEED`.

    Parameters
    ----------
    stroke : float or array, shape (n,)
        By which it is compressed in each press stroke [m].

    Returns
    -------
    float or array, shape (n,)
        [1/s].

    Raises
    ------
    FigureError
        The stroke is not above 0.
    """
    positive(stroke, "stroke", "m")
    return WARM_SPEED / stroke
