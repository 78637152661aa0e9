"""From block to block through the turn: how far a block may go, and where the next contact changes."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from .blocks import (
    Blocks,
    Tables,
    base_polynomial,
    basis,
    forcing,
    powers,
    solve,
    with_guards,
    wrong_side,
)
from .modes import CLOSED, POWERS, ComplexArray
from .system import GRAVITY, NEAR_TOP, Array, BoolArray, IntArray, Side, gas_law, rest

# A ringing below this amplitude [m] cannot take a contact across its threshold unseen by more than itself:
# far below what counts as a graze.
_QUIET = 1e-9
_PER_MODE = 16
_STEP = 0.45  # rad of an oscillation between samples
_COARSE = 10  # samples whatever rings, crowded towards the start
_SPLIT = 16
_FREE_TURN = 0.1  # rad that the gas spring's unmodelled stiffness may turn a stripper in the air
_LEAN = 20  # samples that most blocks do with
_LIMIT = 200_000

_SIDES = np.arange(len(Side))
_PINNED = CLOSED[:, Side.HANGER] | (CLOSED[:, Side.STRIPPER] & CLOSED[:, Side.DIE])

_FRACTION = np.arange(1, _PER_MODE + 1) / _PER_MODE
_FRACTION_SQUARED = _FRACTION * _FRACTION
_CROWDED = (np.arange(1, _COARSE + 1) / _COARSE) ** 2
_SPLITS = np.arange(_SPLIT + 1) / _SPLIT
_ABOUT = np.array([-1.0, -0.1, -0.01, -1e-3, -1e-4, -1e-5, 1e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.1, 1.0])
_NODES = np.array([0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0])
_TO_CUBIC = np.linalg.inv(_NODES[:, None] ** np.arange(4))


@dataclass(frozen=True)
class Log:
    """What stepping leaves behind, one row a block or a sample, in the order made.

    Parameters
    ----------
    variant, cell, mode : ndarray, shape (m,)
        Of each block.
    start, length : ndarray, shape (m,)
        Within the cell [cells].
    state : ndarray, shape (m, 4)
        At the start.
    force : ndarray, shape (m, 7)
        Forcing polynomial.
    sample_variant, sample_time, sample_state : ndarray, shape (k,), (k,), (k, 4)
        Samples close enough to show every swing; times in cells from the start of the turn.
    """

    variant: IntArray
    cell: IntArray
    mode: IntArray
    start: Array
    length: Array
    state: Array
    force: Array
    sample_variant: IntArray
    sample_time: Array
    sample_state: Array


@dataclass
class Front:
    """Where each variant stands; `last` is the cell in which the stripper first touches the strip."""

    cell: IntArray
    start: Array
    state: Array
    mode: IntArray
    last: IntArray


@dataclass(frozen=True)
class _Outcome:
    """Where blocks ended: length, state, contacts that change (as bits), samples on the way."""

    length: Array
    arrived: Array
    flips: IntArray
    times: Array
    states: Array


def at_rest(tables: Tables) -> Front:
    """Static equilibrium at top dead centre."""
    bodies, base = tables.bodies, tables.base
    height = base.coefficients[:, 0, 0] - bodies.travel
    q, zs = rest(bodies, height)
    still = np.zeros_like(q)
    gaps = np.stack([height - q, zs - q, -zs, zs - bodies.lift], axis=-1)
    mode = ((gaps > 0.0) << np.arange(len(Side))).sum(axis=1)
    n = q.shape[0]
    last = np.where(CLOSED[mode, Side.STRIPPER], 0, base.cells)
    return Front(np.zeros(n, dtype=np.intp), still, np.stack([q, zs, still, still], axis=-1), mode, last)


Law = tuple[Array, Array, Array]


def _gas_laws(tables: Tables, variant: IntArray) -> list[Law]:
    b = tables.bodies
    groups = zip(b.gas_force, b.gas_loss, b.gas_exponent, strict=True)
    return [(f0[variant, None], q[variant, None], exponent[variant, None]) for f0, q, exponent in groups]


def _beyond(laws: list[Law], linear: Array, compression: Array) -> Array:
    """Gas force beyond its linear part at compressions (m, k) [N]."""
    force = -linear * compression
    for f0, q, exponent in laws:
        force += gas_law(f0, q, exponent, compression)[0]
    return np.asarray(force)


def _reach(tables: Tables, variant: IntArray, mode: IntArray, left: Array, loose: Array) -> Array:
    """How far a block may go for the gas springs' sake."""
    if not tables.has_gas:
        return left
    return np.where(_PINNED[mode], left, np.minimum(left, loose[variant]))


def _launch(
    tables: Tables, variant: IntArray, mode: IntArray, state: Array, base: Array, reach: Array
) -> tuple[Blocks, Array]:
    """The blocks' motion and forcing; gas springs by one correction of their force along the path."""
    local = tables.modes.take(variant, mode)
    softening = np.zeros((variant.shape[0], POWERS))
    if tables.has_gas:
        laws, linear = _gas_laws(tables, variant), tables.gas_rate[variant, None]
        softening[:, :1] = _beyond(laws, linear, (state[:, 0] - base[:, 0])[:, None])
        guess = solve(local, state, forcing(local, base, softening, state))
        s = reach[:, None] * _NODES
        heights = (powers(s) @ base[:, :, None])[:, :, 0]
        along = _beyond(laws, linear, guess.states(s)[:, :, 0] - heights)
        softening[:, :4] = along @ _TO_CUBIC.T / powers(reach)[:, :4]
    force = forcing(local, base, softening, state)
    return solve(local, state, force), force


def _samples(blocks: Blocks, lag: Array, reach: Array) -> tuple[Array, IntArray]:
    """Sample times (m, k), rising, that no living mode outruns, and how many differ.

    The last one ends the block: at its reach, or sooner where a mode still swings.
    """
    rates = blocks.rates
    swing = np.abs(rates.imag)
    size = (np.abs(blocks.waves[:, :, 0]) + np.abs(blocks.waves[:, :, 1])) * (1.0 + lag * np.abs(rates))
    life = np.log(np.maximum(size * (1.0 / _QUIET), 1.0)) / np.maximum(-rates.real, 1e-12)
    span = (_PER_MODE * _STEP) / np.maximum(swing, 1e-300)
    end = np.minimum(reach, np.where(life > span, span, np.inf).min(axis=1))[:, None]
    spread = np.minimum(life, span)
    spread[(rates.imag < 0.0) | (spread == 0.0)] = np.inf
    even = (swing > 0.0)[:, :, None]
    s = np.empty((rates.shape[0], 4 * _PER_MODE + _COARSE))
    own = spread[:, :, None] * np.where(even, _FRACTION, _FRACTION_SQUARED)
    np.minimum(own.reshape(rates.shape[0], -1), end, out=s[:, :-_COARSE])
    np.multiply(_CROWDED, end, out=s[:, -_COARSE:])
    s.sort(axis=1)
    return s, 1 + np.count_nonzero(s < end, axis=1)


def near_miss(s: Array, wrong: Array) -> BoolArray:
    """Samples after which a value below 0 may rise past it and return before the next one.

    Times (m, k) rise, values are (m, k, p); nan and copies of the last time at the end do no harm.

    Between two samples a peak lies below the chords of its neighbours carried on; past the last sample there
    is no chord, and the one before has to do.
    """
    gap = np.diff(s, axis=1)[:, :, None]
    slope = np.diff(wrong, axis=1) / np.maximum(gap, 1e-300)
    left, own, width = slope[:, :-1], wrong[:, 1:-1], gap[:, 1:]
    right = np.zeros_like(left)
    right[:, :-1] = slope[:, 2:]
    meet = (wrong[:, 2:] - own - right * width) / np.maximum(left - right, 1e-300)
    reach = np.where(right == 0.0, width, np.minimum(meet, width))
    found = np.zeros(s.shape, dtype=bool)
    found[:, 1:-1] = np.any((left > 0.0) & (right <= 0.0) & (width > 0.0) & (own + left * reach > 0.0), axis=2)
    return found


def _locate(
    rates: ComplexArray, coefficients: Array, lag: Array, mode: IntArray, low: Array, high: Array
) -> tuple[Array, Array, BoolArray]:
    """First change in (low, high]: its time, state, which contacts change; none where it was a near miss.

    The time is the first found past the change, so that the next block starts on the right side of it.
    """
    rows = np.arange(low.shape[0])
    grid = low[:, None] + (high - low)[:, None] * _SPLITS
    for last in (False, False, True):
        values = basis(rates, grid) @ coefficients
        wrong = wrong_side(values, lag, mode)
        over = np.any(wrong[:, 1:] > 0.0, axis=2)
        at = np.where(np.any(over, axis=1), 1 + np.argmax(over, axis=1), grid.shape[1] - 1)
        if last:
            break
        low, high = grid[rows, at - 1], grid[rows, at]
        before, after = wrong[rows, at - 1], wrong[rows, at]
        share = np.where(after > 0.0, before / np.minimum(before - after, -1e-300), 1.0).min(axis=1)
        spread = np.clip(share[:, None] + _ABOUT, 0.0, 1.0)
        grid = low[:, None] + (high - low)[:, None] * spread
    return grid[rows, at], values[rows, at, :4], wrong[rows, at] > 0.0


def _examine(blocks: Blocks, guards: Array, lag: Array, mode: IntArray, s: Array) -> _Outcome:
    """Follow blocks along their samples to the first contact change, or to the last sample."""
    rows = np.arange(s.shape[0])
    values = basis(blocks.rates, s) @ guards
    wrong = wrong_side(values, lag, mode)
    over = np.asarray(np.any(wrong > 0.0, axis=2))
    found = over | near_miss(s, wrong)
    hit = np.flatnonzero(np.any(found, axis=1))
    at = np.where(np.any(found, axis=1), np.argmax(found, axis=1), s.shape[1] - 1)
    length, arrived = s[rows, at], values[rows, at, :4]
    flips = np.zeros((s.shape[0], len(Side)), dtype=bool)
    if hit.size:
        before, after = at[hit] - 1, at[hit] + ~over[hit, at[hit]]
        low = np.where(before >= 0, s[hit, before], 0.0)
        length[hit], arrived[hit], flips[hit] = _locate(
            blocks.rates[hit], guards[hit], lag[hit], mode[hit], low, s[hit, after]
        )
    return _Outcome(length, arrived, (flips << _SIDES).sum(axis=1), s, values[:, :, :4])


def march(tables: Tables, front: Front) -> Log:
    """Carry every variant through one turn, and a strip that still moves on to the next touch.

    Parameters
    ----------
    tables : Tables
    front : Front
        Where to start; used up.

    Raises
    ------
    RuntimeError
        Where a turn takes more blocks than any real one.
    """
    base = tables.base
    lags = np.ascontiguousarray((tables.bodies.lag / base.cell_time).T)
    widest = lags.max(axis=1)[:, None]
    loose = _loose_reach(tables)
    blocks_log: list[tuple[Any, ...]] = []
    samples_log: list[tuple[Any, ...]] = []
    live = np.arange(front.mode.shape[0])
    for _ in range(_LIMIT):
        if live.size == 0:
            return Log(*_joined(blocks_log), *_joined(samples_log))
        cell, start, mode, state = front.cell[live], front.start[live], front.mode[live], front.state[live]
        local = base_polynomial(tables, live, cell, start)
        left = 1.0 - start
        reach = _reach(tables, live, mode, left, loose)
        blocks, force = _launch(tables, live, mode, state, local, reach)
        s, count = _samples(blocks, widest[live], reach)
        guards = with_guards(blocks, local, tables.bodies.lift[live])
        length = np.empty_like(start)
        for rows, width in _by_width(count):
            outcome = _examine(blocks.take(rows), guards[rows], lags[live[rows]], mode[rows], s[rows, :width])
            who = live[rows]
            row, place = np.nonzero(outcome.times < outcome.length[:, None])
            times = (cell + start)[rows][row] + outcome.times[row, place]
            samples_log.append((who[row], times, outcome.states[row, place]))
            length[rows] = outcome.length
            front.state[who] = outcome.arrived
            front.mode[who] ^= outcome.flips
            front.last[who] = np.where(
                CLOSED[front.mode[who], Side.STRIPPER], np.minimum(front.last[who], cell[rows]), front.last[who]
            )
        blocks_log.append((live, cell, mode, start, length, state, force))
        done = length >= left
        front.cell[live] = cell + done
        front.start[live] = np.where(done, 0.0, start + length)
        live = live[(front.cell[live] < base.cells) | _restless(tables, front, live)]
    raise RuntimeError("the contacts of the running reading change without end")


def _restless(tables: Tables, front: Front, live: IntArray) -> BoolArray:
    """Variants past the turn whose strip may yet cross the height that counts as raised."""
    out = front.cell[live] - tables.base.cells < front.last[live]
    b = tables.bodies
    late = np.flatnonzero(out & (front.start[live] == 0.0) & (front.cell[live] >= tables.base.cells))
    if late.size == 0:
        return np.asarray(out)
    who = live[late]
    strip, speed = front.state[who, 1], front.state[who, 3] / tables.base.cell_time[who]
    over = np.maximum(strip - b.lift[who], 0.0)
    energy = 0.5 * b.strip_mass[who] * speed * speed + 0.5 * b.stiffness[who] * over * over
    hold = b.lifter_force[who] - b.strip_mass[who] * GRAVITY
    out[late] = (strip < b.lift[who] - 0.5 * NEAR_TOP) | (energy > 0.25 * NEAR_TOP * hold)
    return np.asarray(out)


def _by_width(count: IntArray) -> list[tuple[slice | IntArray, int]]:
    """Rows that need few samples and rows that need many, each with the samples to take.

    Width never cuts a sample that differs; it only spares copies of the last one.
    """
    few = count <= _LEAN
    whole = slice(None)
    if few.all():
        return [(whole, _LEAN)]
    if not few.any():
        return [(whole, 4 * _PER_MODE + _COARSE)]
    return [(np.flatnonzero(few), _LEAN), (np.flatnonzero(~few), 4 * _PER_MODE + _COARSE)]


def _loose_reach(tables: Tables) -> Array:
    """Longest block of a stripper in the air, whose gas springs are only linear in parts [cells]."""
    bodies = tables.bodies
    ends = np.array([np.zeros_like(bodies.travel), bodies.travel])
    drift = np.abs(bodies.gas(ends)[1] - tables.gas_rate).max(axis=0)
    turn = np.sqrt(np.maximum(drift, 1e-9) / bodies.stripper_mass) * tables.base.cell_time
    return np.asarray(_FREE_TURN / turn)


def _joined(parts: list[tuple[Any, ...]]) -> list[Any]:
    return [np.concatenate(column) for column in zip(*parts, strict=True)]
