"""K-weighting at any sample rate: the same response as the standard's 48 kHz filter.

Answers: which filter turns a sound into what BS.1770-5 calls loudness, at
8 to 192 kHz, and how does one run it in blocks with nothing but matrix
products?

The standard (Annex 1, tables 1 and 2) gives coefficients for 48 kHz only and
asks other rates for "the same frequency response". The usual redesign by the
bilinear transform bends the frequency axis and is 0.08 dB off at 22.05 kHz.
Here each biquad's squared magnitude, which is a ratio of two quadratics in
``sin²(w/2)``, is fitted to the 48 kHz response by weighted least squares and
then factored into a minimum-phase biquad. Above 24 kHz, where the 48 kHz
filter has no response, the shelf's flat top is carried on.

Conventions: a biquad is a row ``b0 b1 b2 a0 a1 a2`` with ``a0 = 1`` (the
layout of scipy's ``sos``); rates in hertz; everything is float64 here.

Functions: ``k_weighting``, ``k_gain_db``, ``response_db``, ``block_filter``
(a ``BlockFilter``), ``StateScan``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

TABLE_RATE_HZ = 48_000
SHELF_48K = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585)
"""BS.1770-5 Annex 1, table 1."""
HIGHPASS_48K = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)
"""BS.1770-5 Annex 1, table 2."""

STATES = 4
"""of two biquads"""
_FIT_POINTS = 512
_FIT_ROUNDS = 12
_FIT_TOP_OF_RATE = 0.465
"""The fit reaches a little past the 0.45 of the rate that is promised."""


def _squared_magnitude(biquad: tuple[float, ...] | Floats, phi: Floats) -> Floats:
    """|H|² of a biquad where ``phi`` is sin²(w/2), without cancellation near 0 Hz."""

    def quadratic(c0: float, c1: float, c2: float) -> Floats:
        total = c0 + c1 + c2
        return np.asarray(
            total * total - 4.0 * (c0 * c1 + 4.0 * c0 * c2 + c1 * c2) * phi + 16.0 * c0 * c2 * phi**2
        )

    b0, b1, b2, a0, a1, a2 = (float(c) for c in biquad)
    return np.asarray(quadratic(b0, b1, b2) / quadratic(a0, a1, a2))


def response_db(sos: Floats, rate_hz: float, freq_hz: Floats) -> Floats:
    """Magnitude in dB of cascaded biquads at ``freq_hz``.

    Parameters
    ----------
    sos : (sections, 6) array
    rate_hz : sample rate
    freq_hz : frequencies, 0 < f <= rate/2
    """
    phi = np.sin(np.pi * np.asarray(freq_hz, dtype=np.float64) / rate_hz) ** 2
    total = np.zeros_like(phi)
    for section in np.atleast_2d(sos):
        total += 10.0 * np.log10(_squared_magnitude(section, phi))
    return total


def k_gain_db(freq_hz: Floats) -> Floats:
    """The standard's K-weighting in dB: its 48 kHz filter, carried on flat above 24 kHz."""
    freq = np.minimum(np.asarray(freq_hz, dtype=np.float64), TABLE_RATE_HZ / 2)
    return response_db(np.array([SHELF_48K, HIGHPASS_48K]), TABLE_RATE_HZ, freq)


def _quadratic_from_roots_in_phi(c0: float, c1: float, c2: float) -> tuple[float, float, float]:
    """Minimum-phase ``(1, q1, q2) * gain`` with |Q|² = c0 + c1 phi + c2 phi²."""
    # In y = z + 1/z: phi = (2 - y)/4, so the quadratic in phi is one in y; each
    # root y gives a pair z, 1/z of which the one inside the circle is kept.
    roots_phi = np.roots([c2, c1, c0]).astype(complex) if c2 != 0.0 else np.roots([c1, c0]).astype(complex)
    zs = []
    for root in roots_phi:
        y = 2.0 - 4.0 * root
        disc = np.sqrt(y * y - 4.0)
        z1, z2 = (y + disc) / 2.0, (y - disc) / 2.0
        zs.append(z1 if abs(z1) <= abs(z2) else z2)
    poly = np.real(np.poly(zs))
    poly = np.concatenate([poly, np.zeros(3 - len(poly))])
    gain = np.sqrt(c0) / abs(poly.sum()) if c0 > 0 else 1.0
    return float(gain * poly[0]), float(gain * poly[1]), float(gain * poly[2])


def _fit_squared_magnitude(target: Floats, phi: Floats) -> tuple[float, ...]:
    """Biquad whose |H|² follows ``target``, in the least-squares sense of relative error."""
    # Sanathanan and Koerner's iteration: N - T D = 0, divided by T times the
    # last D, is linear in the coefficients and ends at the relative error.
    last = np.ones_like(phi)
    coeffs = np.zeros(5)
    for _ in range(_FIT_ROUNDS):
        weight = 1.0 / (target * last)
        rows = np.stack(
            [np.ones_like(phi), phi, phi**2, -target * phi, -target * phi**2], axis=1
        ) * weight[:, None]
        scale = np.sqrt((rows**2).sum(axis=0))
        coeffs = np.linalg.lstsq(rows / scale, target * weight, rcond=None)[0] / scale
        last = 1.0 + coeffs[3] * phi + coeffs[4] * phi**2
    numerator = _quadratic_from_roots_in_phi(coeffs[0], coeffs[1], coeffs[2])
    denominator = _quadratic_from_roots_in_phi(1.0, coeffs[3], coeffs[4])
    b = [c / denominator[0] for c in numerator]
    a = [c / denominator[0] for c in denominator]
    return (*b, *a)


@lru_cache(maxsize=64)
def _k_weighting(rate_hz: int) -> tuple[tuple[float, ...], ...]:
    if rate_hz == TABLE_RATE_HZ:
        return SHELF_48K, HIGHPASS_48K
    # High-pass: bilinear with the corner kept. At 38 Hz the bend of the axis
    # is far below 1e-5 dB; what is left of it higher up goes into the shelf's fit.
    _, _, _, _, a1, a2 = HIGHPASS_48K
    # analogue prototype of the table: s² over (s² + s w0/Q + w0²), in units of tan(w/2)
    total, alternating = 1.0 + a1 + a2, 1.0 - a1 + a2
    w0_squared, w0_over_q = total / alternating, 2.0 * (1.0 - a2) / alternating
    stretch = np.tan(np.pi * 38.0 / rate_hz) / np.tan(np.pi * 38.0 / TABLE_RATE_HZ)
    w0_squared, w0_over_q = w0_squared * stretch**2, w0_over_q * stretch
    norm = 1.0 + w0_over_q + w0_squared
    top_gain = 4.0 / alternating  # the table's b = 1, -2, 1 is not unity at the top: kept
    highpass = (
        top_gain / norm, -2.0 * top_gain / norm, top_gain / norm,
        1.0, (2.0 * w0_squared - 2.0) / norm, (1.0 - w0_over_q + w0_squared) / norm,
    )  # fmt: skip
    freq = np.concatenate(
        [
            np.geomspace(10.0, _FIT_TOP_OF_RATE * rate_hz, _FIT_POINTS),
            np.linspace(10.0, _FIT_TOP_OF_RATE * rate_hz, _FIT_POINTS),
        ]
    )
    phi = np.sin(np.pi * freq / rate_hz) ** 2
    wanted_db = k_gain_db(freq) - response_db(np.array([highpass]), rate_hz, freq)
    shelf = _fit_squared_magnitude(10.0 ** (wanted_db / 10.0), phi)
    # Rounded so that another LAPACK's last digits cannot show in a measurement.
    return tuple(round(c, 12) for c in shelf), highpass


def k_weighting(rate_hz: int) -> Floats:
    """Two biquads, shelf and high-pass, whose joint response is the standard's.

    Within 0.001 dB of the 48 kHz table from 10 Hz to 0.45 of the rate for
    22.05 to 192 kHz (``tests/dsp/test_kfilter.py`` measures it and the lower
    rates).

    Parameters
    ----------
    rate_hz : sample rate, 8,000 to 192,000 (checked by the meters)

    Returns
    -------
    (2, 6) float64 array

    Examples
    --------
    >>> k_weighting(48_000)[1].tolist()[:3]
    [1.0, -2.0, 1.0]
    """
    return np.array(_k_weighting(int(rate_hz)))


@dataclass(frozen=True, slots=True)
class BlockFilter:
    """The K filter as matrix products over blocks of ``block`` frames.

    With ``x`` a block (row) and ``s`` the state (4 values) at its start::

        y      = x @ direct + s @ from_state
        s_next = s @ step + x @ to_state

    The state's basis is chosen so that its squared length is the energy that
    it will still put out: nothing large cancels, so float32 products are
    exact enough (about -140 dB of the sound).
    """

    block: int
    direct: Floats  # (block, block)
    from_state: Floats  # (4, block)
    to_state: Floats  # (block, 4)
    step: Floats  # (4, 4)


def _state_space(sos: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Cascade of biquads as s' = A s + B x, y = C s + D x (column convention)."""
    a_all, b_all = np.zeros((0, 0)), np.zeros((0, 1))
    c_all, d_all = np.zeros((1, 0)), 1.0
    for b0, b1, b2, _, a1, a2 in np.atleast_2d(sos):
        # transposed direct form II: both states feed the output through s1 only
        a = np.array([[-a1, 1.0], [-a2, 0.0]])
        b = np.array([[b1 - a1 * b0], [b2 - a2 * b0]])
        c = np.array([[1.0, 0.0]])
        n = len(a_all)
        a_all = np.block([[a_all, np.zeros((n, 2))], [b @ c_all, a]])
        b_all = np.concatenate([b_all, b * d_all])
        c_all = np.concatenate([b0 * c_all, c], axis=1)
        d_all = float(b0 * d_all)
    return a_all, b_all, c_all, d_all


@lru_cache(maxsize=32)
def block_filter(rate_hz: int, block: int) -> BlockFilter:
    """Matrices that run the K filter of ``rate_hz`` over blocks of ``block`` frames."""
    a, b, c, d = _state_space(k_weighting(rate_hz))
    n = len(a)
    # Observability Gramian G = A' G A + C'C, summed by doubling (it converges
    # because the poles lie inside the circle); G = L' L gives the new basis.
    gramian, power = c.T @ c, a.copy()
    for _ in range(40):
        gramian = gramian + power.T @ gramian @ power
        power = power @ power
    basis = np.linalg.cholesky((gramian + gramian.T) / 2.0).T
    inverse = np.linalg.inv(basis)
    a, b, c = basis @ a @ inverse, basis @ b, c @ inverse
    impulse = np.empty(block)
    from_state = np.empty((n, block))
    to_state = np.empty((block, n))
    power = np.eye(n)
    impulse[0] = d
    for i in range(block):
        from_state[:, i] = (c @ power)[0]
        to_state[block - 1 - i] = (power @ b)[:, 0]
        if i + 1 < block:
            impulse[i + 1] = float((c @ power @ b)[0, 0])
        power = a @ power
    direct = np.zeros((block, block))
    for i in range(block):
        direct[i, i:] = impulse[: block - i]
    return BlockFilter(block, direct, from_state, to_state, power.T.copy())


class StateScan:
    """Finds the state at the start of every block from what each block adds to it.

    Three levels of small matrix products instead of a loop: ``group`` blocks,
    ``supergroup`` groups of them, up to ``most`` such supergroups in a chunk.
    """

    def __init__(
        self, rate_hz: int, block: int, channels: int, group: int, supergroup: int, most: int
    ) -> None:
        self._group, self._supergroup, self._channels = group, supergroup, channels
        self._matrices = _scan_matrices(rate_hz, block, group, supergroup, most)

    def states(self, additions: Singles, start: Singles) -> tuple[Singles, Singles]:
        """The states at all block starts, and the one at the end.

        Parameters
        ----------
        additions : (channels, blocks, 4), contiguous: ``x @ to_state`` of each
            block; whole supergroups
        start : (channels, 4), state before the first block

        Returns
        -------
        states : (channels, blocks, 4), contiguous; valid until the next call
        end : (channels, 4)
        """
        m, n, channels = self._matrices, STATES, self._channels
        by_group = additions.reshape(-1, self._group * n)
        of_groups = workspace.singles("of groups", len(by_group), n)
        np.matmul(by_group, m.group_end, out=of_groups)
        by_super = of_groups.reshape(-1, self._supergroup * n)
        supers = len(by_super) // channels
        # what each supergroup adds, behind the state that the chunk begins with
        starts = workspace.singles("starts", channels, supers + 1, n)
        starts[:, 0] = start
        starts[:, 1:] = np.matmul(by_super, m.super_end).reshape(channels, supers, n)
        size = (supers + 1) * n
        at_supers = starts.reshape(channels, size) @ m.across[:size, :size]
        first = np.ascontiguousarray(at_supers[:, :-n]).reshape(-1, n)
        at_groups = workspace.singles("at groups", *by_super.shape)
        np.matmul(by_super, m.within_super, out=at_groups)
        at_groups += first @ m.super_to_groups
        inner = workspace.singles("inner", *by_group.shape)
        outer = workspace.singles("outer", *by_group.shape)
        np.matmul(by_group, m.within_group, out=inner)
        inner += np.matmul(at_groups.reshape(-1, n), m.group_to_blocks, out=outer)
        return inner.reshape(additions.shape), np.asarray(at_supers[:, -n:])


@dataclass(frozen=True, slots=True)
class _ScanMatrices:
    group_end: Singles  # additions of a group's blocks -> addition of the group
    within_group: Singles  # ... -> states at its blocks, from a start of 0
    group_to_blocks: Singles  # state at a group's start -> share in the states at its blocks
    super_end: Singles
    within_super: Singles
    super_to_groups: Singles
    across: Singles  # start and additions of supergroups -> states at their starts and the end


def _level(step: Floats, count: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Matrices of ``count`` steps: additions to the end, to each start; start to each; all steps."""
    n = STATES
    powers = [np.eye(n)]
    for _ in range(count):
        powers.append(powers[-1] @ step)
    within = np.zeros((count * n, count * n))
    for i in range(count):
        for j in range(i + 1, count):
            within[i * n : (i + 1) * n, j * n : (j + 1) * n] = powers[j - i - 1]
    end = np.concatenate(powers[count - 1 :: -1])
    return end, within, np.concatenate(powers[:count], axis=1), powers[count]


@lru_cache(maxsize=16)
def _scan_matrices(rate_hz: int, block: int, group: int, supergroup: int, most: int) -> _ScanMatrices:
    n = STATES
    group_end, within_group, group_to_blocks, over_group = _level(block_filter(rate_hz, block).step, group)
    super_end, within_super, super_to_groups, over_super = _level(over_group, supergroup)
    powers = [np.eye(n)]
    for _ in range(most):
        powers.append(powers[-1] @ over_super)
    across = np.zeros(((most + 1) * n, (most + 1) * n))
    for i in range(most + 1):
        for j in range(i, most + 1):
            across[i * n : (i + 1) * n, j * n : (j + 1) * n] = powers[j - i]
    matrices = (group_end, within_group, group_to_blocks, super_end, within_super, super_to_groups, across)
    return _ScanMatrices(*(matrix.astype(np.float32) for matrix in matrices))
