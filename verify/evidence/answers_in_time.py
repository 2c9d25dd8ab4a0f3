"""How long an answer takes, when both its cause and itself are known between two readings only.

Between the brackets of `presses` and `plate` and the checks that judge a time. Mathematics:

A cause lies in (a₀, a₁], its answer in (b₀, b₁]. The hand knows nothing of the logger, so the
cause is anywhere in its bracket alike, and an answer that takes d falls into its own bracket with
the chance that (a₀ + d, a₁ + d] shares with it: a trapezoid over d, from b₀ − a₁ to b₁ − a₀. One
slow press says little; many, each at another phase of the logger, multiply to a narrow answer.

    chance │      b₀−a₀ ______ b₁−a₁
           │           /      \\
           │          /        \\
           └─────────/──────────\\──── d
                  b₀−a₁        b₁−a₀

Presses differ: press i takes d_i, logistic about a common median m with a scatter s (logistic and
not normal, because its integral is a plain function and its tails are a little longer). Now and
then one is something else altogether (`STRAY_SHARE`): it must neither carry the median away nor
make the rest impossible. m is flat over all times from 0 on, s has a half-normal prior.

The age of readings (`skew_s`) is no chance but the logger's habit, the same at each press. So it is
joined at the end, once, and no number of presses averages it away.

Of one single late answer among quick ones the posterior says little that does not come from the
share of strays. So `hidden_chance` asks the other way round: had one been late, how probable is it
that it looked like this?
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from verify.evidence.recording import Array
from verify.values import dataclass

STRAY_SHARE, STRAY_S = 0.02, 3.0
# Scatter from press to press (scale of the logistic), and where its prior has its deviation.
SCATTERS_S = np.array([0.003, 0.006, 0.012, 0.025, 0.05, 0.1, 0.2])
SCATTER_PRIOR_S = 0.05
_LAGS, _LATER = 15, 4
_COARSE, _FINE, _MOST = 400, 400, 6000
_CHUNK, _TOGETHER = 32, 64


@dataclass(frozen=True, slots=True, eq=False)
class Brackets:
    """n causes and their answers: each shape (n,), in seconds, all finite.

    Early ends are times of readings as they stand; how old these may be is told once, in
    cause_age_s and answer_age_s.
    """

    cause_from: Array
    cause_to: Array
    answer_from: Array
    answer_to: Array
    cause_age_s: float = 0.0
    answer_age_s: float = 0.0

    def __len__(self) -> int:
        return len(self.cause_from)

    @property
    def least(self) -> Array:
        """What each surely took at least, shape (n,); below 0 where nothing is sure."""
        return self.answer_from - self.answer_age_s - self.cause_to

    @property
    def most(self) -> Array:
        """What each surely took at most."""
        return self.answer_to - (self.cause_from - self.cause_age_s)


@dataclass(frozen=True, slots=True, eq=False)
class TimePosterior:
    """What the brackets say of the median m and the scatter s.

    at: shape (k,), evenly spaced values of m in s. scatter: shape (j,). weight: shape (j, k), the
    probability of each pair; adds up to 1.
    """

    at: Array
    scatter: Array
    weight: Array

    @property
    def mean(self) -> float:
        return float(self.weight.sum(axis=0) @ self.at)

    @property
    def deviation(self) -> float:
        """Standard uncertainty of the median, no less than the grid's own step allows."""
        own = self.weight.sum(axis=0)
        step = float(self.at[1] - self.at[0])
        return math.sqrt(float(own @ (self.at - self.mean) ** 2) + step * step / 12.0)

    def below(self, limit_s: float) -> float:
        """P(m ≤ limit)."""
        return self._below(self.weight.sum(axis=0), limit_s)

    def quantile(self, p: float) -> float:
        """The m below which the probability is p."""
        gone = np.cumsum(self.weight.sum(axis=0))
        return float(np.interp(p, gone, self.at + 0.5 * (self.at[1] - self.at[0])))

    def _below(self, weight: Array, limit_s: float) -> float:
        step = float(self.at[1] - self.at[0])
        gone = np.clip((limit_s - self.at) / step + 0.5, 0.0, 1.0)
        return float(weight @ gone)


def time_posterior(brackets: Brackets) -> TimePosterior:
    """Median and scatter of the times that answers take.

    Raises ValueError with no bracket at all, or where one is not finite.
    """
    ends = [brackets.cause_from, brackets.cause_to, brackets.answer_from, brackets.answer_to]
    if not len(brackets) or not all(bool(np.all(np.isfinite(end))) for end in ends):
        raise ValueError("a time needs finite brackets")
    ages = brackets.cause_age_s + brackets.answer_age_s
    low = -brackets.answer_age_s
    high = max(float(np.max(brackets.answer_to - brackets.cause_from)), 0.0) + 0.5
    high += brackets.cause_age_s
    at: Array = np.linspace(low, high, _COARSE)
    likely = _log_likelihood(brackets, at)
    seen = np.flatnonzero(likely.max(axis=0) > float(likely.max()) - 25.0)
    step = float(at[1] - at[0])
    low, high = float(at[seen[0]]) - 2.0 * step, float(at[seen[-1]]) + 2.0 * step
    low = max(low, -brackets.answer_age_s)
    step = max((high - low) / _FINE, ages / _MOST)
    at = np.asarray(low + step * (np.arange(math.ceil((high - low) / step) + 1) + 0.5))
    likely = _log_likelihood(brackets, at)
    weight = np.exp(likely - float(likely.max()))
    weight *= _scatter_prior()[:, None]
    at, weight = _aged(at, weight, step, brackets)
    weight = np.where(at >= 0.0, weight, 0.0)  # nothing answers before it is asked
    return TimePosterior(at, SCATTERS_S, weight / float(weight.sum()))


def _scatter_prior() -> Array:
    """Half-normal, on a grid that is even in the logarithm."""
    own: Array = SCATTERS_S * np.exp(-0.5 * (SCATTERS_S / SCATTER_PRIOR_S) ** 2)
    result: Array = own / own.sum()
    return result


def _log_likelihood(brackets: Brackets, at: Array) -> Array:
    """log P(brackets | m, s), shape (scatters, len(at))."""
    parts = [
        _likelihood_at(brackets, at[first : first + _TOGETHER])
        for first in range(0, len(at), _TOGETHER)
    ]
    return np.concatenate(parts, axis=1)


def _likelihood_at(brackets: Brackets, at: Array) -> Array:
    """The same of a few times together, as the processor's cache holds them."""
    total = np.zeros((len(SCATTERS_S), len(at)))
    s = SCATTERS_S[:, None, None]
    for first in range(0, len(brackets), _CHUNK):
        part = slice(first, first + _CHUNK)
        a0, a1 = brackets.cause_from[part], brackets.cause_to[part]
        b0, b1 = brackets.answer_from[part], brackets.answer_to[part]
        wide = np.maximum(a1 - a0, 1e-6)
        share = np.zeros((len(SCATTERS_S), len(at), len(a0)))
        for corner, sign in ((b0 - a1, 1.0), (b0 - a0, -1.0), (b1 - a1, -1.0), (b1 - a0, 1.0)):
            x = (at[:, None] - corner[None, :])[None, :, :] / s
            share += sign * s * _ramp(x)  # the ramp smoothed by the logistic
        share = np.maximum(share, 0.0) / wide
        stray = np.minimum((b1 - b0) / STRAY_S, 1.0)
        total += np.log((1.0 - STRAY_SHARE) * share + STRAY_SHARE * stray + 1e-12).sum(axis=2)
    return total


def probability_all_within(brackets: Brackets, limit_s: float) -> float:
    """P(none of these took longer than the limit), in [0, 1].

    Each is held by its own bracket too: P(d ≤ limit | bracket, m, s), and by the chance that just
    this one was a stray. The ages of the readings are the logger's habit: what they add to a time
    is the same for all, and each possible lag is gone through. Those known by themselves to be
    within the limit need not be hoped for.
    Raises ValueError as `time_posterior`.
    """
    plain = replace(brackets, cause_age_s=0.0, answer_age_s=0.0)
    posterior = time_posterior(plain)
    likely = posterior.weight.sum(axis=0)
    kept = likely > 1e-7 * float(likely.max())
    at, weight = posterior.at[kept], posterior.weight[:, kept]
    lags, shares = _lags(brackets)
    limits = limit_s - lags[:, None] * _row_share(brackets)
    found = [_all_within(plain, at, weight, own) for own in limits]
    return float(shares @ np.array(found))


def _all_within(plain: Brackets, at_s: Array, weight: Array, limits_s: Array) -> float:
    """The same for readings of no age. at_s, weight: as `TimePosterior`, shapes (k,), (j, k);
    limits_s: for each answer, shape (n,)."""
    at, s = at_s[None, :], SCATTERS_S[:, None]
    chance = np.ones_like(weight)
    for i in np.flatnonzero(plain.most > limits_s).tolist():
        limit = float(limits_s[i])
        a0, a1 = float(plain.cause_from[i]), float(plain.cause_to[i])
        b0, b1 = float(plain.answer_from[i]), float(plain.answer_to[i])
        inside, every = np.zeros_like(chance), np.zeros_like(chance)
        stray = 0.0
        for corner, sign in ((b0 - a1, 1.0), (b0 - a0, -1.0), (b1 - a1, -1.0), (b1 - a0, 1.0)):
            every += sign * _ramp((at - corner) / s) * s
            over = limit - corner
            if over > 0.0:
                # ∫ f(d)·(d − c) dd from c to the limit, by parts.
                z = np.clip((limit - at) / s, -60.0, 60.0)
                below = over / (1.0 + np.exp(-z))
                inside += sign * (below - s * (_ramp((limit - at) / s) - _ramp((corner - at) / s)))
                stray += sign * 0.5 * over * over
        own = STRAY_SHARE / STRAY_S
        wide = max(a1 - a0, 1e-6)
        inside = (1.0 - STRAY_SHARE) * np.maximum(inside, 0.0) + own * max(stray, 0.0)
        every = (1.0 - STRAY_SHARE) * np.maximum(every, 0.0) + own * (b1 - b0) * wide
        chance *= np.clip(inside / np.maximum(every, 1e-12), 0.0, 1.0)
    return float(np.sum(weight * chance) / np.sum(weight))


def _lags(brackets: Brackets) -> tuple[Array, Array]:
    """(by how much the true time may be longer than the seen one, the probability of each).

    True = seen + age of the cause's reading − age of the answer's, each anywhere from 0 to its
    most.
    """
    cause, answer = max(brackets.cause_age_s, 1e-9), max(brackets.answer_age_s, 1e-9)
    if cause + answer < 1e-6:
        return np.zeros(1), np.ones(1)
    lag = (cause + answer) * (np.arange(_LAGS) + 0.5) / _LAGS - answer
    share = np.minimum(cause, lag + answer) - np.maximum(0.0, lag)
    return lag, share / float(share.sum())


def _row_share(brackets: Brackets) -> Array:
    """How long the row of each press was, as a share of the longest age, at most 1; shape (n,).

    What is read at a place of a row is as old as a share of that row, and no older than it.
    """
    longest = max(brackets.cause_age_s, brackets.answer_age_s, 1e-9)
    result: Array = np.minimum(1.0, (brackets.cause_to - brackets.cause_from) / longest)
    return result


def hidden_chance(brackets: Brackets, limit_s: float) -> float:
    """P(one answer had taken `limit_s` and all of them looked no later than they do), in [0, 1].

    For each bracket: how probable is it that an answer of `limit_s` falls into it or an earlier
    one? The greatest of these says how late they look. An answer that had taken `limit_s` would
    have to look no later than that: the chance of it is known for each from the times of its
    readings alone, and the mean is told, since any of them is the late one alike (the hand that
    presses knows nothing of the logger). The order in which a row's values were read is the
    logger's habit and no chance, so the worst is taken: the cause first, the answer last.
    """
    wide = np.maximum(brackets.cause_to - brackets.cause_from, 1e-6)
    limits = limit_s - brackets.cause_age_s * _row_share(brackets)
    between = brackets.answer_to - brackets.answer_from
    until = brackets.answer_to - brackets.cause_from + np.arange(_LATER)[:, None] * between
    chances = np.clip((until - limits) / wide, 0.0, 1.0)
    latest = float(np.max(chances[0]))
    return float(np.mean(np.max(np.where(chances <= latest, chances, 0.0), axis=0)))


def _ramp(x: Array) -> Array:
    """log(1 + e^x), without overflow."""
    small = np.abs(x)
    np.negative(small, out=small)
    np.exp(small, out=small)
    np.log1p(small, out=small)
    small += np.maximum(x, 0.0)
    return small


def _aged(at: Array, weight: Array, step: float, brackets: Brackets) -> tuple[Array, Array]:
    """The same with the age of the readings joined.

    What was read late seems late: true = seen + age of the cause's reading − age of the answer's,
    each anywhere from 0 to its most.
    """
    for age, sign in ((brackets.cause_age_s, 1.0), (brackets.answer_age_s, -1.0)):
        cells = round(age / step)
        if cells < 1:
            continue
        kernel = np.ones(cells + 1)
        wider: Array = np.stack([np.convolve(row, kernel) for row in weight])
        first = float(at[0]) - (age if sign < 0 else 0.0)
        weight, at = wider, np.asarray(first + step * np.arange(wider.shape[1]))
    return at, weight
