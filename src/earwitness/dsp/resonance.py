"""Resonances behind a short time window: one pole pair each, fitted with the window in the model.

A gate multiplies the impulse response, so its curve shows a resonance smeared over 1 / gate. Here the response without
the gate is a smooth remainder times one pole pair a resonance; the gate is put on this model and the two gated spectra
are compared. Own method (the pole model with the window inside it, posterior mode, Laplace); marginals of Q by a grid
as in nested Laplace approximations (H. Rue, S. Martino, N. Chopin, J. R. Statist. Soc. B 71, 2009, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.quantities import ComplexArray, FloatArray

_DB = 20.0 / math.log(10.0)
_LEVEL_SD_DB, _LEVEL_OCTAVES = 2.0, 0.5
_PHASE_SD_RAD, _PHASE_OCTAVES = 0.6, 0.8
_DELAY_SD_S = 0.3e-3
_LONGEST_S = 0.25
_LEAST_ERROR, _USUAL_ERROR, _USUAL_WEIGHT = 0.003, 0.015, 8.0
_STEPS = 14
_ROUGH = 0.2
_Q_GRID = (-2.6, -1.9, -1.3, -0.6, 0.0, 0.6, 1.3, 1.9, 2.6)


@dataclass(frozen=True, slots=True)
class Guess:
    """What is known of a resonance before the fit.

    hz, q, size_db : where the search begins; q is the pole's (ring time q / (pi f)), size_db the height at hz
    u_ln_hz : prior of the frequency about hz; ln_q, u_ln_q : prior of ln q; u_db : prior of the size about 0
    """

    hz: float
    q: float
    size_db: float
    u_ln_hz: float = 0.12
    ln_q: float = math.log(6.0)
    u_ln_q: float = 0.9
    u_db: float = 5.0


@dataclass(frozen=True, slots=True)
class Pole:
    """A fitted resonance 1 + (A - 1) (j x / q) / (1 - x^2 + j x / q), x = f / hz, A = 10^(size_db / 20).

    q : of the pole; u_ln_hz, u_ln_q, u_db : standard uncertainties
    bell_q, u_ln_bell_q : Q of the equalizer's peaking filter of the same shape, q / sqrt(A)
    error : rms of what the model leaves, against the sound
    """

    hz: float
    q: float
    size_db: float
    u_ln_hz: float
    u_ln_q: float
    u_db: float
    bell_q: float
    u_ln_bell_q: float
    error: float


def pole_response(hz: FloatArray, center_hz: float, q: float, size_db: float) -> ComplexArray:
    """(F,) complex gain of a resonance; q of the pole (peaks and dips alike)."""
    x = hz / center_hz
    return np.asarray(1.0 + (10.0 ** (size_db / 20.0) - 1.0) * _band(x, q), dtype=np.complex128)


def _band(x: FloatArray, q: float) -> ComplexArray:
    turn = 1j * x / q
    return np.asarray(turn / (1.0 - x * x + turn), dtype=np.complex128)


def fit_pole(
    impulse: FloatArray,
    weights: FloatArray,
    time_s: FloatArray,
    *,
    base_hz: FloatArray,
    base_db: FloatArray,
    guesses: Sequence[Guess],
    band_hz: tuple[float, float],
    snr_db: float = 80.0,
) -> Pole:
    """The first of the guessed resonances, fitted together with the others.

    impulse (N,) : gated, weights (N,) : of the gate, time_s (N,) : even, about the arrival of the sound
    base_hz, base_db (F,) : level without the gate as far as it is known, in any unit, smooth where it is not;
    24 dB/octave are assumed below it; band_hz : of the spectra that are compared; snr_db : of the gated spectrum
    """
    problem = _Problem(impulse, weights, time_s, base_hz, base_db, band_hz=band_hz, noise=10.0 ** (-snr_db / 20.0))
    return problem.solved(list(guesses))


class _Problem:
    """The gated model and its derivatives on even frequencies one over the window apart."""

    def __init__(
        self,
        impulse: FloatArray,
        weights: FloatArray,
        time_s: FloatArray,
        base_hz: FloatArray,
        base_db: FloatArray,
        band_hz: tuple[float, float],
        noise: float,
    ) -> None:
        step_s = float(time_s[1] - time_s[0])
        length_s = step_s * impulse.size
        rate = min(3.2 * band_hz[1], 1.0 / step_s)
        self.count = math.ceil(length_s * rate)
        rate = self.count / length_s
        long = scipy.fft.next_fast_len(max(math.ceil(_LONGEST_S * rate), 4 * self.count), real=True)
        self.long = long + long % 2
        self.noise = noise
        self.hz = np.arange(self.long // 2 + 1) * rate / self.long
        self.window = np.interp(np.arange(self.count) / rate, time_s - time_s[0], weights)
        every = np.arange(self.count // 2 + 1) / length_s
        self.rows = np.flatnonzero((every >= band_hz[0]) & (every <= band_hz[1]))
        self.at = every[self.rows]
        turn = np.exp(-2j * np.pi * np.outer(self.at, time_s - time_s[0]))
        self.seen = (turn @ impulse) * step_s
        self.step_s = 1.0 / rate
        self.start_s = float(time_s[0])
        self._lay_base(base_hz, base_db, band_hz)

    def _lay_base(self, base_hz: FloatArray, base_db: FloatArray, band_hz: tuple[float, float]) -> None:
        x = np.log2(np.maximum(self.hz, self.hz[1] / 2))
        ends = np.log2(base_hz)
        level = np.interp(x, ends, base_db) + 24.0 * np.minimum(x - ends[0], 0.0)
        level = np.maximum(level, level.max() - 120.0) / _DB
        # The base may stand in another unit: its shape counts, laid onto the data.
        level = level + float(np.median(np.log(np.abs(self.seen)) - np.interp(np.log2(self.at), x, level)))
        beyond = np.clip((self.hz - 1.2 * band_hz[1]) / (0.35 * band_hz[1]), 0.0, 1.0)
        self.limit = 0.5 + 0.5 * np.cos(np.pi * beyond)
        low, high = math.log2(band_hz[0] / 1.4), math.log2(1.4 * band_hz[1])
        shapes = _smooth_basis(x, low, high, _LEVEL_OCTAVES) * (_LEVEL_SD_DB / _DB)
        turns = _smooth_basis(x, low, high, _PHASE_OCTAVES) * _PHASE_SD_RAD
        self.log_base = level + 1j * self._least_phase(level[None, :])[0]
        levels = shapes.T + 1j * self._least_phase(shapes.T)
        delay = -2j * np.pi * self.hz * _DELAY_SD_S
        turned = np.full((1, self.hz.size), 1j * math.pi)
        self.columns = np.concatenate([levels, 1j * turns.T, delay[None, :], turned])
        self.log_base = self.log_base + 2j * np.pi * self.hz * self.start_s
        self.scale = np.exp(np.interp(np.log2(self.at), x, level))

    def _least_phase(self, log_size: FloatArray) -> FloatArray:
        """Phase (K, F) of least phase of log magnitudes (K, F)."""
        cepstrum = scipy.fft.irfft(log_size, self.long, axis=-1)
        cepstrum[..., 1 : self.long // 2] *= 2.0
        cepstrum[..., self.long // 2 + 1 :] = 0.0
        return np.asarray(scipy.fft.rfft(cepstrum, axis=-1).imag, dtype=np.float64)

    def _gated(self, spectra: ComplexArray) -> ComplexArray:
        """(K, R) gated spectra over the base's level of full ones (K, F)."""
        impulse = scipy.fft.irfft(spectra * self.limit, self.long, axis=-1)[..., : self.count] / self.step_s
        cut = scipy.fft.rfft(impulse * self.window, axis=-1)[..., self.rows] * self.step_s
        return np.asarray(cut / self.scale, dtype=np.complex128)

    def model(self, p: FloatArray, poles: int) -> tuple[ComplexArray, ComplexArray]:
        """(R,) gated spectrum and (P, R) derivatives; p : ln f, ln q and size of each pole, then the smooth rest."""
        rest = p[3 * poles :]
        whole = np.exp(self.log_base + rest @ self.columns)
        slopes: list[ComplexArray] = []
        for ln_f, ln_q, size in p[: 3 * poles].reshape(-1, 3):
            x = self.hz / math.exp(ln_f)
            lift = 10.0 ** (size / 20.0)
            turn = 1j * x / math.exp(ln_q)
            below = 1.0 - x * x + turn
            band = turn / below
            factor = 1.0 + (lift - 1.0) * band
            whole = whole * factor
            to_f = (lift - 1.0) * (-turn * (1.0 + x * x) / below**2) / factor
            to_q = (lift - 1.0) * (-turn * (1.0 - x * x) / below**2) / factor
            slopes += [to_f, to_q, band * lift / _DB / factor]
        spectra = np.concatenate([whole[None, :], whole * np.array(slopes), whole * self.columns])
        gated = self._gated(spectra)
        return gated[0], gated[1:]

    def solved(self, guesses: list[Guess]) -> Pole:
        first = guesses[0]
        starts = [first, Guess(first.hz, 2.0 * first.q, 1.6 * first.size_db)]
        begun = self._begin(guesses)
        error = max(self.noise, _USUAL_ERROR)
        best: tuple[float, FloatArray] | None = None
        for start in starts:
            p = begun.copy()
            p[1:3] = math.log(start.q), start.size_db
            p, cost = self._descend(p, guesses, error)
            if best is None or cost < best[0]:
                best = (cost, p)
        assert best is not None
        p = best[1]
        for _ in range(3):
            error = self._error(p, guesses, error)
            p, _cost = self._descend(p, guesses, error)
        return self._marginal(p, guesses, error)

    def _begin(self, guesses: list[Guess]) -> FloatArray:
        """Guesses, and the smooth rest that the logarithm of the data over the model asks for."""
        poles = len(guesses)
        p = np.zeros(3 * poles + len(self.columns))
        for row, guess in enumerate(guesses):
            p[3 * row : 3 * row + 3] = math.log(guess.hz), math.log(guess.q), guess.size_db
        nearest = np.clip(np.rint(self.at / self.hz[1]).astype(int), 0, self.hz.size - 1)
        here = np.concatenate([self.columns[:, nearest].real, self.columns[:, nearest].imag], axis=1).T / _ROUGH
        for _ in range(3):
            value, _slopes = self.model(p, poles)
            off = self.seen / self.scale / value
            wanted = np.concatenate([np.log(np.abs(off)), np.unwrap(np.angle(off))]) / _ROUGH
            own = p[3 * poles :]
            normal = here.T @ here + np.eye(own.size)
            p[3 * poles :] = own + np.linalg.solve(normal, here.T @ wanted - own)
        return p

    def _prior(self, guesses: list[Guess]) -> tuple[FloatArray, FloatArray]:
        """Means and 1 / spreads (P,)."""
        mean = np.zeros(3 * len(guesses) + len(self.columns))
        sharp = np.ones_like(mean)
        for row, one in enumerate(guesses):
            mean[3 * row : 3 * row + 3] = math.log(one.hz), one.ln_q, 0.0
            sharp[3 * row : 3 * row + 3] = 1 / one.u_ln_hz, 1 / one.u_ln_q, 1 / one.u_db
        return mean, sharp

    def _system(
        self, p: FloatArray, guesses: list[Guess], error: float
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Residual and Jacobian of the data and of the prior, whitened."""
        value, slopes = self.model(p, len(guesses))
        off = (value - self.seen / self.scale) / error
        mean, sharp = self._prior(guesses)
        data = np.concatenate([off.real, off.imag])
        jac = np.concatenate([slopes.real, slopes.imag], axis=1).T / error
        return data, jac, sharp * (p - mean), np.diag(sharp)

    def _descend(
        self, p: FloatArray, guesses: list[Guess], error: float, *, held: int | None = None, steps: int = _STEPS
    ) -> tuple[FloatArray, float]:
        """Levenberg and Marquardt; held : a parameter that stays."""
        damping = 1e-3
        system = self._system(p, guesses, error)
        cost = float(system[0] @ system[0] + system[2] @ system[2])
        for _ in range(steps):
            data, jac, prior, sharp = system
            gradient = jac.T @ data + sharp.T @ prior
            normal = jac.T @ jac + sharp.T @ sharp
            if held is not None:
                gradient[held] = 0.0
                normal[held, :] = normal[:, held] = 0.0
                normal[held, held] = 1.0
            for _ in range(6):
                move = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
                tried = p + np.clip(move, -2.0, 2.0)
                new = self._system(tried, guesses, error)
                lower = float(new[0] @ new[0] + new[2] @ new[2])
                if math.isfinite(lower) and lower <= cost:
                    break
                damping *= 6.0
            else:
                return p, cost
            gain, p, cost, system = cost - lower, tried, lower, new
            damping = max(damping / 8.0, 1e-9)
            if gain < 1e-4 * max(cost, 1.0):
                break
        return p, cost

    def _error(self, p: FloatArray, guesses: list[Guess], error: float) -> float:
        """Relative rms of what the model leaves, from the data and a few values' worth of what is usual."""
        data, jac, _prior, sharp = self._system(p, guesses, error)
        used = float(np.trace(np.linalg.solve(jac.T @ jac + sharp.T @ sharp, jac.T @ jac)))
        rest = float(data @ data) * error**2
        free = max(data.size - used, 0.0)
        usual = max(self.noise, _USUAL_ERROR)
        found = math.sqrt((rest + _USUAL_WEIGHT * usual**2) / (free + _USUAL_WEIGHT))
        return max(found, self.noise, _LEAST_ERROR)

    def _marginal(self, p: FloatArray, guesses: list[Guess], error: float) -> Pole:
        """Means and spreads over a grid of ln q, each with the rest at its best and its own spread about it."""
        normal = self._normal(p, guesses, error)
        spread = math.sqrt(float(np.linalg.inv(normal)[1, 1]))
        rows: list[tuple[float, FloatArray, float, float, float]] = []
        for step in sorted(_Q_GRID, key=abs):
            nearest = min(rows, key=lambda row: abs(row[0] - step))[1] if rows else p
            tried = nearest.copy()
            tried[1] = p[1] + step * spread
            tried, cost = self._descend(tried, guesses, error, held=1, steps=6)
            other = np.delete(np.delete(self._normal(tried, guesses, error), 1, axis=0), 1, axis=1)
            inverse = np.linalg.inv(other)
            log_density = -0.5 * cost - 0.5 * float(np.linalg.slogdet(other)[1])
            rows.append((step, tried, log_density, inverse[0, 0], inverse[1, 1]))
        rows.sort(key=lambda row: row[0])
        grid = np.array([row[0] for row in rows])
        density = np.exp(np.array([row[2] for row in rows]) - max(row[2] for row in rows))
        share = density * np.gradient(grid)
        share = share / share.sum()
        values = np.array([[row[1][0], row[1][1], row[1][2]] for row in rows])
        bell = values[:, 1] - values[:, 2] * math.log(10.0) / 40.0
        mean = share @ values
        own = np.array([[row[3], 0.0, row[4]] for row in rows])
        var = share @ ((values - mean) ** 2 + own)
        mean_bell = float(share @ bell)
        var_bell = float(share @ ((bell - mean_bell) ** 2 + own[:, 2] * (math.log(10.0) / 40.0) ** 2))
        u = np.sqrt(var)
        return Pole(
            hz=math.exp(mean[0]),
            q=math.exp(mean[1]),
            size_db=float(mean[2]),
            u_ln_hz=float(u[0]),
            u_ln_q=float(u[1]),
            u_db=float(u[2]),
            bell_q=math.exp(mean_bell),
            u_ln_bell_q=math.sqrt(var_bell),
            error=error,
        )

    def _normal(self, p: FloatArray, guesses: list[Guess], error: float) -> FloatArray:
        _data, jac, _prior, sharp = self._system(p, guesses, error)
        return np.asarray(jac.T @ jac + sharp.T @ sharp, dtype=np.float64)


def _smooth_basis(x: FloatArray, low: float, high: float, octaves: float) -> FloatArray:
    """(F, K) white weights to smooth functions of log2 frequency of unit variance; level beyond the ends."""
    knots = np.arange(low, high + 0.6 * octaves, 0.65 * octaves)
    inside = np.clip(x, low - octaves, high + octaves)
    kernel = np.exp(-0.5 * ((knots[:, None] - knots) / octaves) ** 2) + 1e-6 * np.eye(knots.size)
    cross = np.exp(-0.5 * ((inside[:, None] - knots) / octaves) ** 2)
    return np.asarray(cross @ np.linalg.inv(np.linalg.cholesky(kernel)).T, dtype=np.float64)
