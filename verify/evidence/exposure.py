"""How much clean driving speaks against a complaint that came now and then.

The customer says how often it came ("every 60 km", "twice a day", "1 in 20 presses"); the drive
after the repair showed nothing. From both follow, exactly and one-sided at 95 %: how likely the
drive would have stayed clean by luck with the fault still there, which rate it rules out, and how
much more is needed. This stands beside a check's verdict as a second result and belongs to the
group complaint-gone: short of it is undecided, never a fail, and it holds only under the heat and
load the complaint came with.

Sources: binomial, zero in n: 1 − 0.05^(1/n) (Clopper and Pearson 1934, one-sided; for n = 20 it is
0.1391, as Newcombe 1998, Table I, mid-p 0/20). Poisson, zero in an amount T: −ln(0.05)/T, which is
2.996/T (the rule of three). Oracles in the tests: `scipy.stats`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from verify.evidence.complaint import Basis, Complaint, parse_complaint, singular
from verify.evidence.driven import distance_km, running_s
from verify.evidence.recording import Recording
from verify.quantity import float_factors
from verify.values import dataclass
from verify.words import Verdict

__all__ = [
    "Basis", "Complaint", "Proof", "amount_needed", "clean_amount", "exposure", "parse_complaint",
    "rate_bound", "share_bound", "tries_needed",
]  # fmt: skip

SURE = 0.95
CONDITIONS = "under the heat and load it came with"


@dataclass(frozen=True, slots=True)
class Proof:
    """What a drive says of the complaint.

    clean, needed, more: in `unit`; needed is where `sure` is reached, more what is missing (0 where
    nothing is). seen: how often it came again. by_luck: how probable so few of them are with the
    fault still there as it was. bound: the highest rate that is still possible, one-sided at
    `sure`: a share of the tries for TRIES, else events per `unit`. verdict: FAIL where it came
    again, PASS where enough was clean, else UNDECIDED. why, settle: sentences.
    """

    complaint: Complaint
    clean: float
    seen: int
    needed: float
    more: float
    by_luck: float
    bound: float
    sure: float
    verdict: Verdict
    why: str
    settle: str

    @property
    def unit(self) -> str:
        return self.complaint.unit

    def to_json(self) -> dict[str, object]:
        """Plain JSON values; `bound` is null where nothing was driven and so nothing is bound."""
        return {
            "complaint": self.complaint.text,
            "every": self.complaint.every,
            "unit": self.unit,
            "clean": self.clean,
            "seen": self.seen,
            "needed": self.needed,
            "more": self.more,
            "by_luck": self.by_luck,
            "bound": self.bound if math.isfinite(self.bound) else None,
            "sure": self.sure,
            "verdict": self.verdict.value,
            "why": self.why,
            "settle": self.settle,
        }


# --- the arithmetic ------------------------------------------------------------------------------


def share_bound(seen: int, tries: int, sure: float = SURE) -> float:
    """The highest chance per try that `seen` in `tries` leaves possible, one-sided at `sure`.

    Clopper–Pearson: the p at which seeing so few has probability 1 − sure; 1.0 where nothing was
    tried or every try showed it. Raises ValueError where seen is not within 0 … tries.
    """
    _certain(sure)
    if not 0 <= seen <= tries:
        raise ValueError("seen must lie between 0 and the tries")
    if seen == tries:
        return 1.0
    if seen == 0:
        return -math.expm1(math.log1p(-sure) / tries)
    return _crossing(lambda p: _binomial_at_most(seen, tries, p), 1.0 - sure, 0.0, 1.0)


def rate_bound(seen: int, amount: float, sure: float = SURE) -> float:
    """The highest rate (events per unit of `amount`) still possible, one-sided at `sure`, Poisson.

    inf where the amount is 0. Raises ValueError for a negative number.
    """
    _certain(sure)
    if not (seen >= 0 and 0.0 <= amount < math.inf):
        raise ValueError("seen and amount must not be negative")
    if amount == 0.0:
        return math.inf
    if seen == 0:
        return -math.log1p(-sure) / amount
    # Well above the answer: mean + 10 deviations and some.
    high = seen + 10.0 * math.sqrt(seen) + 50.0
    return _crossing(lambda m: _poisson_at_most(seen, m), 1.0 - sure, 0.0, high) / amount


def tries_needed(share: float, sure: float = SURE) -> int:
    """The least number of clean tries that rule out a chance of `share` per try, at `sure`.

    59 for 5 % at 95 % sure. Raises ValueError where share is not within 0 (excluded) … 1.
    """
    _certain(sure)
    if not 0.0 < share <= 1.0:
        raise ValueError("a share must lie above 0 and not above 1")
    if share == 1.0:
        return 1
    wanted = math.log1p(-sure) / math.log1p(-share)
    # What rounding alone lifts above a whole number needs no further try.
    return max(1, math.ceil(wanted - 1e-9))


def amount_needed(every: float, sure: float = SURE) -> float:
    """How much must stay clean for a complaint that came once in `every`: −ln(1 − sure)·every."""
    _certain(sure)
    return -math.log1p(-sure) * every


def exposure(complaint: Complaint, clean: float, *, seen: int = 0, sure: float = SURE) -> Proof:
    """What `clean` (in the complaint's unit) proves, and how much more is needed.

    clean: how much was driven or tried under the conditions of the complaint, in all; for TRIES a
    whole number. seen: how often it came again. Raises ValueError where a number is negative, not
    finite, or more was seen than tried.
    """
    _certain(sure)
    if not (0.0 <= clean < math.inf and seen >= 0):
        raise ValueError("clean and seen must be numbers that are not negative")
    needed: float
    if complaint.basis is Basis.TRIES:
        if clean != int(clean):
            raise ValueError("tries are whole numbers")
        share = complaint.times / complaint.per
        needed = float(tries_needed(share, sure))
        by_luck = _binomial_at_most(seen, int(clean), share)
        bound = share_bound(seen, int(clean), sure)
    else:
        needed = amount_needed(complaint.every, sure)
        by_luck = _poisson_at_most(seen, clean / complaint.every)
        bound = rate_bound(seen, clean, sure)
    more = max(0.0, needed - clean)
    if seen:
        verdict = Verdict.FAIL
    elif clean >= needed or by_luck <= 1.0 - sure:
        verdict, more = Verdict.PASS, 0.0
    else:
        verdict = Verdict.UNDECIDED
    why, settle = _sentences(complaint, clean, seen, needed, more, by_luck, bound, sure, verdict)
    return Proof(
        complaint, clean, seen, needed, more, by_luck, bound, sure, verdict, why, settle
    )  # fmt: skip


def clean_amount(complaint: Complaint, recordings: Sequence[Recording]) -> float | None:
    """How much of what the complaint is counted in the recordings surely show, in its unit.

    A distance is the integral of vehicle speed at its low end, a time that of a running engine;
    gaps count for nothing. None for days and tries, which no recording counts, and where the
    channel is missing from all of them. Recordings of the same bytes count once.
    """
    once = {r.sha256 or f"unnamed {i}": r for i, r in enumerate(recordings)}.values()
    if complaint.basis is Basis.DISTANCE:
        ends = [e for r in once if (e := distance_km(r)) is not None]
        found, unit = [low for low, _ in ends], "km"
    elif complaint.basis is Basis.TIME:
        found, unit = [s for r in once if (s := running_s(r)) is not None], "s"
    else:
        return None
    if not found:
        return None
    scale, _ = float_factors(unit, complaint.unit)
    return sum(found) * scale


def _certain(sure: float) -> None:
    if not 0.0 < sure < 1.0:
        raise ValueError("how sure must lie between 0 and 1")


def _crossing(falling: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where a falling function meets `level`, by halving, to the last digits."""
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if falling(middle) > level:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _binomial_at_most(k: int, n: int, p: float) -> float:
    """P(X ≤ k) for n tries of chance p."""
    if k >= n or p <= 0.0:
        return 1.0
    if p >= 1.0:
        return 0.0
    logs = [
        math.lgamma(n + 1) - math.lgamma(i + 1) - math.lgamma(n - i + 1)
        + i * math.log(p) + (n - i) * math.log1p(-p)
        for i in range(k + 1)
    ]  # fmt: skip
    return min(1.0, math.fsum(math.exp(x) for x in logs))


def _poisson_at_most(k: int, mean: float) -> float:
    """P(X ≤ k) for a mean number of events."""
    if mean <= 0.0:
        return 1.0
    logs = [i * math.log(mean) - mean - math.lgamma(i + 1) for i in range(k + 1)]
    return min(1.0, math.fsum(math.exp(x) for x in logs))


# --- the sentences -------------------------------------------------------------------------------


def _sentences(
    complaint: Complaint, clean: float, seen: int, needed: float, more: float,
    by_luck: float, bound: float, sure: float, verdict: Verdict,
) -> tuple[str, str]:  # fmt: skip
    word = complaint.unit
    percent = f"{100 * sure:g} %"
    if complaint.basis is Basis.TRIES:
        always = complaint.times == complaint.per
        came = (
            f"every {singular(word)}"
            if always
            else f"{complaint.times:g} in {complaint.per:g} {word}"
        )
        left = f"up to {100 * bound:.3g} of 100 {word} may still show it"
        amount, whole, rest = (_counted(x, word) for x in (clean, needed, more))
    else:
        came = f"every {_amount(complaint.every, word)}"
        amount, whole, rest = (_amount(x, word) for x in (clean, _up(needed), _up(more)))
        left = "nothing is ruled out yet"
        if 0.0 < bound < math.inf:
            left = f"once every {_amount(1.0 / bound, word)} is still possible"
    if seen:
        again = "once" if seen == 1 else f"{seen} times"
        return f"the complaint came again: {again} in {amount}.", ""
    luck = f"{100 * by_luck:.2g} of 100" if by_luck < 0.9995 else "100 of 100"
    common = (
        f"it came {came}; with the fault still there, {luck} drives like this one "
        f"({amount} clean) would stay clean by luck, and {left} (one-sided, {percent})"
    )
    if verdict is Verdict.PASS:
        return f"{common}: enough, {CONDITIONS}.", ""
    number, _, thing = rest.partition(" ")
    way = (
        f"{number} more {thing} without it, {CONDITIONS}; {whole} clean in all make {percent} sure"
    )
    return f"{common}: too little to tell.", way


def _amount(value: float, word: str) -> str:
    plural = {"day": "days"}.get(word, word)
    return f"{value:.3g} {word if value == 1 else plural}" if value < 999.5 else (
        f"{value:,.0f} {plural}"
    )  # fmt: skip


def _up(value: float) -> float:
    """Rounded up to three figures: what is asked for must be enough."""
    if value <= 0.0:
        return 0.0
    place = 10.0 ** (math.floor(math.log10(value)) - 2)
    return math.ceil(value / place - 1e-9) * place


def _counted(value: float, word: str) -> str:
    return f"{value:,.0f} {singular(word) if value == 1 else word}"
