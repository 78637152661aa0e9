"""The march of `stepping` compiled: one variant after the other instead of all abreast.

Same tables, same samples, same search for contact changes; only the order of the work differs, and that a block is
not looked at past its first change. Needs numba, the optional extra `fast`. One file, for the compiled code kept on
disk is thrown away when this file changes and not when another does; and it knows `_Given` and `_Desk` by their
names, which must not change.
"""

from collections.abc import Callable
from math import cos, exp, log, sin
from typing import Any, NamedTuple, TypeVar, cast

import numba
import numpy as np

from . import blocks, modes, stepping, system
from .system import Array, BoolArray, IntArray

F = TypeVar("F", bound=Callable[..., Any])


def _compiled(function: F) -> F:
    return cast(F, numba.njit(cache=True, error_model="numpy")(function))


def _inlined(function: F) -> F:
    return cast(F, numba.njit(cache=True, error_model="numpy", forceinline=True)(function))


# Compiled code is kept on disk until this file changes: what it takes for constant must stand here.
_MODES, _FREE, _POWERS, _STATE, _SIDES, _PER_MODE, _COARSE = 12, 4, 6, 4, 4, 16, 10
_HANGER, _STRIPPER, _LIFTER = 0, 1, 3
_SIZES = (modes.MODES, modes.FREE, modes.POWERS, modes.STATE, modes.SIDES, modes.PER_MODE, stepping.COARSE)
_CONTACTS = (system.Side.HANGER, system.Side.STRIPPER, system.Side.LIFTER)
if _SIZES != (_MODES, _FREE, _POWERS, _STATE, _SIDES, _PER_MODE, _COARSE):
    raise ImportError("the compiled march is not in step with the tables it reads")
if _CONTACTS != (_HANGER, _STRIPPER, _LIFTER):
    raise ImportError("the compiled march is not in step with the contacts' order")
_FUNCTIONS = _FREE + _POWERS
_VALUES = _STATE + 2 * _SIDES
_MOST = _FREE * _PER_MODE + _COARSE + 2
_NOTHING = 1e-13  # m and m/cell: free motion below this is left out


class _Given(NamedTuple):
    """What the march reads: tables by row; by variant; the same for all."""

    rates: Array
    pace: Array
    drive: Array
    guards: Array
    hanger: Array
    lifter: Array
    shapes: Array
    into: Array
    matrices: Array
    slide: Array
    travel: Array
    loose: Array
    gas_rate: Array
    gas_force: Array
    gas_loss: Array
    gas_exponent: Array
    cell_time: Array
    strip_mass: Array
    stiffness: Array
    lift: Array
    hold: Array
    pinned: BoolArray
    crowded: Array
    fraction: Array
    splits: Array
    about: Array
    nodes: Array
    to_cubic: Array
    times: Array
    solid: float
    near_top: float
    limit: int


class _Desk(NamedTuple):
    """Room to work in.

    A variant's solutions mode by mode and which are made; a block's polynomials, coefficients and quiet times; its
    samples; the search for a change.
    """

    solutions: Array
    made: BoolArray
    parts: Array
    base: Array
    forcing: Array
    coefficients: Array
    guards: Array
    quiet: Array
    start: Array
    along: Array
    own: Array
    ahead: Array
    taken: IntArray
    times: Array
    values: Array
    spot: Array


def march(tables: blocks.Tables, front: stepping.Front) -> stepping.Log:
    """As `stepping.march`."""
    m, b, base = tables.modes, tables.bodies, tables.base
    given = _Given(
        m.rates, m.pace, m.drive, m.guards, m.hanger, m.lifter, m.shapes, m.into, m.matrices, base.coefficients,
        np.array(b.travel), stepping.loose_reach(tables), np.array(tables.gas_rate),
        np.array(b.gas_force), np.array(b.gas_loss), np.array(b.gas_exponent), np.array(base.cell_time),
        np.array(b.strip_mass), np.array(b.stiffness), np.array(b.lift),
        np.array(b.lifter_force - b.strip_mass * system.GRAVITY),
        stepping.PINNED, stepping.CROWDED, stepping.FRACTION, stepping.SPLITS, stepping.ABOUT,
        blocks.NODES, blocks.TO_CUBIC, modes.TIMES, system.SOLID_SHARE, system.NEAR_TOP, stepping.LIMIT,
    )  # fmt: skip
    desk = _Desk(
        np.empty((_MODES, _STATE + _POWERS + 1, _STATE * _FUNCTIONS)), np.empty(_MODES, bool), np.empty((2, _POWERS)),
        np.empty(_POWERS), np.empty(_STATE + _POWERS + 1), np.empty(_STATE * _FUNCTIONS),
        np.empty((_FUNCTIONS, _VALUES)), np.empty(2), np.empty(1), np.empty(blocks.NODES.size),
        np.empty(_FREE), np.empty(_FREE), np.empty(_FREE, np.int64),
        np.empty(_MOST), np.empty((_MOST, _VALUES)), np.empty((_MOST, _VALUES)),
    )  # fmt: skip
    return stepping.Log(*_march(given, desk, front.cell, front.start, front.state, front.mode))


@_compiled
def _march(g: _Given, desk: _Desk, cells0: IntArray, starts: Array, states: Array, closed: IntArray) -> Any:
    n, cells = g.slide.shape[0], g.slide.shape[1]
    numbers, spans = np.empty((64 * n, 3), np.int64), np.empty((64 * n, 2))
    rates, coefficients = np.empty((64 * n, 3 * _FREE)), np.empty((64 * n, _STATE, _FUNCTIONS))
    owners, times, places = np.empty(1000 * n, np.int64), np.empty(1000 * n), np.empty((1000 * n, _STATE))
    blocks, samples = 0, 0
    state = np.empty(_STATE)
    for v in range(n):
        cell, start, mode, last, begun = cells0[v], starts[v], closed[v], cells, blocks
        state[:] = states[v]
        desk.made[:] = False
        while True:
            if mode >> _STRIPPER & 1:
                last = min(last, cell)
            if cell >= cells and not _restless(g, v, cell - cells, start, state, last):
                break
            if blocks - begun > g.limit:
                raise RuntimeError("the contacts of the running reading change without end")
            if blocks == numbers.shape[0]:
                numbers, spans = _longer(numbers), _longer(spans)
                rates, coefficients = _longer(rates), _longer(coefficients)
            if samples + _MOST > owners.shape[0]:
                owners, times, places = _longer(owners), _longer(times), _longer(places)
            row = v * _MODES + mode
            left = 1.0 - start
            reach = left if g.pinned[mode] else min(left, g.loose[v])
            _polynomial(g, desk, v, cell % cells, start)
            if not desk.made[mode]:
                _solve(g, desk, row, desk.solutions[mode])
                desk.made[mode] = True
            _launch(g, desk, v, row, desk.solutions[mode], state, reach)
            rates[blocks], coefficients[blocks] = g.rates[row], desk.coefficients.reshape(_STATE, _FUNCTIONS)
            length, flips, count = _follow(g, desk, row, reach, state)
            along, found = desk.times, desk.values
            numbers[blocks, 0], numbers[blocks, 1], numbers[blocks, 2] = v, cell, mode
            spans[blocks, 0], spans[blocks, 1] = start, length
            for k in range(count):
                owners[samples], times[samples] = v, cell + start + along[k]
                for place in range(_STATE):
                    places[samples, place] = found[k, place]
                samples += 1
            blocks += 1
            mode ^= flips
            if length >= left:
                cell, start = cell + 1, 0.0
            else:
                start += length
    return (
        numbers[:blocks, 0].copy(), numbers[:blocks, 1].copy(), numbers[:blocks, 2].copy(),
        spans[:blocks, 0].copy(), spans[:blocks, 1].copy(), rates[:blocks], coefficients[:blocks],
        owners[:samples], times[:samples], places[:samples],
    )  # fmt: skip


@_compiled
def _longer(column: Any) -> Any:
    out = np.empty((2 * column.shape[0], *column.shape[1:]), column.dtype)
    out[: column.shape[0]] = column
    return out


@_compiled
def _restless(g: _Given, v: int, past: int, start: float, state: Array, last: int) -> bool:
    if past > last:
        return False
    strip, speed = state[1], state[3] / g.cell_time[v]
    over = max(strip - g.lift[v], 0.0)
    energy = 0.5 * g.strip_mass[v] * speed * speed + 0.5 * g.stiffness[v] * over * over
    return bool(strip < g.lift[v] - 0.5 * g.near_top or energy > 0.25 * g.near_top * g.hold[v] or start > 0.0)


@_inlined
def _polynomial(g: _Given, desk: _Desk, v: int, cell: int, start: float) -> None:
    """As `blocks.base_polynomial`."""
    base = desk.base
    base[:] = g.slide[v, cell]
    for i in range(_POWERS - 1):
        for j in range(_POWERS - 2, i - 1, -1):
            base[j] += start * base[j + 1]
    base[0] -= g.travel[v]


@_compiled
def _solve(g: _Given, desk: _Desk, row: int, out: Array) -> None:
    """As `modes.Modes.solution`, of one mode."""
    m1, m2, c11, c12, c22, k11, k12, k22 = g.matrices[row]
    det, parts, times = k11 * k22 - k12 * k12, desk.parts, g.times
    q1, zs1, q2, zs2 = 0.0, 0.0, 0.0, 0.0
    for m in range(_POWERS):
        f1 = (1.0 if m == 0 else 0.0) - c11 * q1 - c12 * zs1 - m1 * q2
        f2 = -c12 * q1 - c22 * zs1 - m2 * zs2
        q1, zs1, q2, zs2 = (k22 * f1 - k12 * f2) / det, (k11 * f2 - k12 * f1) / det, q1, zs1
        parts[0, m], parts[1, m] = q1, zs1
    out[:] = 0.0
    for body in range(2):
        place, speed = body * _FUNCTIONS + _FREE, (body + 2) * _FUNCTIONS + _FREE
        for k in range(_POWERS):
            for j in range(k + 1):
                out[_STATE + k, place + j] = parts[body, k - j] * times[k, j]
                if j < k:
                    out[_STATE + k, speed + j] = parts[body, k - j - 1] * times[k, j]
    out[_STATE + _POWERS, _FREE], out[_STATE + _POWERS, _FUNCTIONS + _FREE] = -k12 / det, k11 / det
    _solve_free(g.rates[row], g.shapes[row], g.into[row], out)


@_compiled
def _solve_free(rates: Array, shapes: Array, into: Array, out: Array) -> None:
    """The free motion from each start, and what it must be to make up for the answers' start."""
    for i in range(_STATE):
        for place in range(_STATE):
            for f in range(0, _FREE, 2):
                c, d, p, q = into[f, i], into[f + 1, i], shapes[place, f], shapes[place, f + 1]
                at = place * _FUNCTIONS + f
                if rates[_FREE + f] > 0.0:
                    out[i, at], out[i, at + 1] = c * p + d * q, d * p - c * q
                else:
                    out[i, at], out[i, at + 1] = c * p, d * q
    for k in range(_STATE, _STATE + _POWERS + 1):
        for i in range(_STATE):
            start = out[k, i * _FUNCTIONS + _FREE]
            for place in range(_STATE):
                for f in range(_FREE):
                    out[k, place * _FUNCTIONS + f] -= start * out[i, place * _FUNCTIONS + f]


@_inlined
def _beyond(g: _Given, v: int, compression: Array) -> None:
    """As `blocks.beyond`, in place."""
    rate, forces, losses, exponents, solid = g.gas_rate[v], g.gas_force, g.gas_loss, g.gas_exponent, g.solid
    for k in range(compression.size):
        total = -rate * compression[k]
        for group in range(forces.shape[0]):
            exponent, share = exponents[group, v], losses[group, v] * compression[k]
            inside = min(share, solid)
            push = forces[group, v] * (1.0 - inside) ** -exponent
            total += push + push * exponent / (1.0 - inside) * (share - inside)
        compression[k] = total


@_inlined
def _pair(rates: Array, row: int, j: int, s: float) -> tuple[float, float]:
    """Two functions of the free motion at a time."""
    size, swing = exp(rates[row, j] * s), rates[row, _FREE + j]
    if swing == 0.0:
        return size, exp(rates[row, j + 1] * s)
    return size * cos(swing * s), size * sin(swing * s)


@_inlined
def _evaluate(rates: Array, row: int, w: Array, quiet: Array, s: float, values: Array, k: int) -> bool:
    """States and guarding values at time s into row k; whether a contact is past its change.

    The lesser of a contact's two values stays in the first's place. Bare arrays: taking them out of a tuple each
    time costs more than the sums.
    """
    f0, f1, f2, f3 = 0.0, 0.0, 0.0, 0.0
    if s < quiet[0]:
        f0, f1 = _pair(rates, row, 0, s)
    if s < quiet[1]:
        f2, f3 = _pair(rates, row, 2, s)
    s2, s3 = s * s, s * s * s
    s4, s5 = s2 * s2, s2 * s3
    for v in range(_VALUES):
        power = w[4, v] + s * w[5, v] + s2 * w[6, v] + s3 * w[7, v] + s4 * w[8, v] + s5 * w[9, v]
        values[k, v] = f0 * w[0, v] + f1 * w[1, v] + f2 * w[2, v] + f3 * w[3, v] + power
    over = False
    for side in range(_STATE, _STATE + _SIDES):
        values[k, side] = min(values[k, side], values[k, _SIDES + side])
        over |= values[k, side] > 0.0
    return over


@_inlined
def _launch(g: _Given, desk: _Desk, v: int, row: int, solution: Array, state: Array, reach: float) -> None:
    base, given, drive = desk.base, desk.forcing, g.drive[row]
    given[:_STATE] = state
    for j in range(_POWERS):
        given[_STATE + j] = drive[0] * base[j]
    for j in range(_POWERS - 1):
        given[_STATE + j] += drive[1] * (j + 1) * base[j + 1]
    given[_STATE] += drive[2] + drive[4] * state[0]
    given[_STATE + _POWERS] = drive[3] + drive[5] * state[1]
    start, gas = desk.start, g.gas_force.shape[0] > 0
    if gas:
        start[0] = state[0] - base[0]
        _beyond(g, v, start)
        given[_STATE] -= start[0]
    coefficients = desk.coefficients
    q, zs, v_q, v_zs, c = given[0], given[1], given[2], given[3], given[10]
    f0, f1, f2, f3, f4, f5 = given[4], given[5], given[6], given[7], given[8], given[9]
    for k in range(coefficients.size):
        free = q * solution[0, k] + zs * solution[1, k] + v_q * solution[2, k] + v_zs * solution[3, k]
        low = f0 * solution[4, k] + f1 * solution[5, k] + f2 * solution[6, k] + f3 * solution[7, k]
        coefficients[k] = free + low + f4 * solution[8, k] + f5 * solution[9, k] + c * solution[10, k]
    if gas:
        _soften(g, desk, v, row, solution, start[0], reach)


@_inlined
def _soften(g: _Given, desk: _Desk, v: int, row: int, solution: Array, first: float, reach: float) -> None:
    """One correction of the gas springs' force along the motion found."""
    q, base, rates, nodes, to_cubic = desk.coefficients, desk.base, g.rates, g.nodes, g.to_cubic
    along = desk.along
    for node in range(nodes.size):
        s = reach * nodes[node]
        f0, f1 = _pair(rates, row, 0, s)
        f2, f3 = _pair(rates, row, 2, s)
        compression = 0.0
        for j in range(_POWERS - 1, -1, -1):
            compression = compression * s + (q[_FREE + j] - base[j])
        along[node] = compression + f0 * q[0] + f1 * q[1] + f2 * q[2] + f3 * q[3]
    _beyond(g, v, along)
    power = 1.0
    for j in range(nodes.size):
        total = 0.0
        for node in range(nodes.size):
            total += to_cubic[j, node] * (first - along[node])
        total /= power
        for k in range(q.size):
            q[k] += solution[_STATE + j, k] * total
        power *= reach


@_inlined
def _guards(g: _Given, desk: _Desk, row: int) -> None:
    """As `with_guards`, functions in rows; and from when on the free motion is below anything that counts."""
    out, base, coefficients, guards = desk.guards, desk.base, desk.coefficients, g.guards[row]
    for j in range(_FUNCTIONS):
        for place in range(_STATE):
            out[j, place] = coefficients[place * _FUNCTIONS + j]
        for value in range(2 * _SIDES):
            total = 0.0
            for place in range(_STATE):
                total += guards[value, place] * out[j, place]
            out[j, _STATE + value] = total
    for which in range(2):
        hanger = _STATE + which * _SIDES + _HANGER
        for j in range(_POWERS):
            out[_FREE + j, hanger] += g.hanger[row, which, 0] * base[j]
        for j in range(_POWERS - 1):
            out[_FREE + j, hanger] += g.hanger[row, which, 1] * (j + 1) * base[j + 1]
        out[_FREE, _STATE + which * _SIDES + _LIFTER] += g.lifter[row]
    for pair in range(2):
        size = 0.0
        for place in range(_STATE):
            size = max(size, abs(out[2 * pair, place]) + abs(out[2 * pair + 1, place]))
        constant = max(g.pace[row, 1, 2 * pair], g.pace[row, 1, 2 * pair + 1])
        desk.quiet[pair] = constant * log(size / _NOTHING) if size > _NOTHING else 0.0


@_inlined
def _near_miss(times: Array, values: Array, i: int, count: int) -> bool:
    """Whether a value may rise past 0 and return between samples i and i + 1."""
    before, width = max(times[i] - times[i - 1], 1e-300), times[i + 1] - times[i]
    for side in range(_STATE, _STATE + _SIDES):
        own, rise = values[i, side], values[i, side] - values[i - 1, side]
        if own > 0.0 or rise <= 0.0 or width <= 0.0 or rise * width <= -own * before:
            continue
        left, right = rise / before, 0.0
        if i + 2 < count:
            right = (values[i + 2, side] - values[i + 1, side]) / max(times[i + 2] - times[i + 1], 1e-300)
        if right > 0.0:
            continue
        meet = (values[i + 1, side] - own - right * width) / max(left - right, 1e-300)
        if own + left * (width if right == 0.0 else min(meet, width)) > 0.0:
            return True
    return False


@_inlined
def _sample_times(g: _Given, desk: _Desk, row: int, reach: float) -> int:
    """As `stepping.sample_times`, merged in order; gives how many."""
    pace, coefficients, times = g.pace[row], desk.coefficients, desk.times
    fraction, crowded = g.fraction, g.crowded
    own, ahead, taken, end = desk.own, desk.ahead, desk.taken, reach
    for j in range(_FREE):
        size = 0.0
        for place in range(2):
            at = place * _FUNCTIONS
            size += abs(coefficients[at + j]) + abs(coefficients[at + (j ^ 1)])
        life = log(max(size * pace[0, j], 1.0)) * pace[1, j]
        if life > pace[2, j]:
            end = min(end, pace[2, j])
        own[j] = min(life, pace[2, j]) if life > 0.0 else np.inf
    for j in range(_FREE):
        taken[j] = 1
        ahead[j] = own[j] * (fraction[0] if pace[2, j] < np.inf else fraction[0] * fraction[0])
    coarse, count, s = 0, 0, -1.0
    while s < end:
        s, which = (crowded[coarse] * end if coarse <= _COARSE else np.inf), -1
        for j in range(_FREE):
            if ahead[j] < s:
                s, which = ahead[j], j
        if which < 0:
            coarse += 1
        elif taken[which] < _PER_MODE:
            share = fraction[taken[which]]
            ahead[which] = own[which] * (share if pace[2, which] < np.inf else share * share)
            taken[which] += 1
        else:
            ahead[which] = np.inf
        s = min(s, end)
        times[count] = s
        count += 1
    return count


@_inlined
def _follow(g: _Given, desk: _Desk, row: int, reach: float, state: Array) -> tuple[float, int, int]:
    """Length of the block, contacts that change, samples; the state becomes that at the block's end."""
    _guards(g, desk, row)
    count = _sample_times(g, desk, row, reach)
    after = _first_change(g.rates, row, desk.guards, desk.quiet, desk.times, desk.values, count)
    if after < count:
        low, high = desk.times[after], desk.times[after + 1]
        length, flips = _locate(g, row, desk.guards, desk.quiet, low, high, desk.spot, state)
        return length, flips, after + 1
    state[:] = desk.values[count - 1, :_STATE]
    return desk.times[count - 1], 0, count - 1


@_inlined
def _first_change(rates: Array, row: int, guards: Array, quiet: Array, times: Array, values: Array, count: int) -> int:
    """Sample after which a contact changes, or may change and return; `count` if none."""
    for k in range(count):
        over = _evaluate(rates, row, guards, quiet, times[k], values, k)
        if k >= 3 and _near_miss(times, values, k - 2, count):
            return k - 2
        if over and k > 0:
            return k - 1
    return count - 2 if count >= 3 and _near_miss(times, values, count - 2, count) else count


@_inlined
def _locate(
    g: _Given, row: int, guards: Array, quiet: Array, low: float, high: float, values: Array, state: Array
) -> tuple[float, int]:
    """First change in (low, high]: when, which contacts; none in a near miss."""
    rates, splits, about, share, at = g.rates, g.splits, g.about, 0.0, 0
    for stage in range(3):
        size, origin, width, time = splits.size if stage == 0 else about.size, low, high - low, low
        for at in range(size):
            low = time
            time = origin + width * (splits[at] if stage == 0 else min(max(share + about[at], 0.0), 1.0))
            if _evaluate(rates, row, guards, quiet, time, values, at) and at > 0:
                break
        high, share = time, 1.0
        for side in range(_STATE, _STATE + _SIDES):
            before, now = values[at - 1, side], values[at, side]
            if now > 0.0:
                share = min(share, before / min(before - now, -1e-300))
    flips = 0
    for side in range(_SIDES):
        if values[at, _STATE + side] > 0.0:
            flips |= 1 << side
    state[:] = values[at, :_STATE]
    return high, flips
