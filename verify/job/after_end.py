"""What may still be written once a job has ended: sign-off, comeback, closing by hand, decisions.

One half of the fold (`session` has the other): it says what is over, and for whom. Proof that
follows is the walk's own business.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.flow.graph import Ending, Graph
from verify.job.entry import Entry
from verify.job.visits import Comeback, Decision, Misfit, SignOff, Stamp, StoredSpec, by_hand
from verify.job.walk import Walk
from verify.words import EndingKind

# Kinds that nothing stands in the way of, and those that go with taking proof.
_ALWAYS = ("note", "signature", "erased", "comeback")
_OF_A_PROOF = ("correction", "rejudged")


class AfterEnd:
    """The part of a fold's state that these entries read and write.

    worked: who wrote work, and their last entry of it.
    """

    def __init__(self, job: str, graph: Graph, walk: Walk) -> None:
        self.job, self.graph, self.walk = job, graph, walk
        self.opened: Mapping[str, Any] = {}
        self.ending: Ending | None = None
        self.scripted = False
        self.specs: dict[str, StoredSpec] = {}
        self.decisions: list[Decision] = []
        self.sign_offs: list[SignOff] = []
        self.comebacks: list[Comeback] = []
        self.worked: dict[str, int] = {}

    def check_not_over(self, entry: Entry) -> None:
        """What was signed off stays as it was, and a car that came back has a job of its own.

        Where proof is to follow, that alone goes on, with the numbers of the car it needs.
        """
        kind, body = entry.kind, entry.body
        if kind in _ALWAYS:
            return
        if self.comebacks and kind != "sign-off":
            raise Misfit(
                f"{kind} in a job whose car has come back",
                f"what belongs to job {self.comebacks[-1].job}",
                "go on there, or write a note",
            )
        signed = self._signed()
        if signed is None or kind in ("sign-off", "proof", "closed"):
            return
        older = kind in ("correction", "rejudged") and body["of"] < signed.seq
        if kind == "spec" and body["name"] in self.specs:
            # What was not found was signed as that: to find it takes nothing of it back.
            known = self.specs[body["name"]]
            older = bool(known.text) and known.seq < signed.seq
        if older or kind == "decision" or not (self.walk.provable() or kind in _OF_A_PROOF):
            raise Misfit(
                f"{kind} in a job that is signed off",
                "what was signed left as it is",
                "write a note, or open a comeback where the car is back",
            )

    def _signed(self) -> SignOff | None:
        return self.sign_offs[-1] if self.sign_offs and self.sign_offs[-1].accepted else None

    def comeback(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        if self.ending is None:
            raise Misfit(
                "a comeback of a job that has not ended",
                "one whose car had left",
                f"go on with this job: keysback resume {self.job}",
            )
        who = stamp.seq, stamp.time, stamp.person
        self.comebacks.append(Comeback(*who, body["job"], body["head"]))

    def sign_off(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        self._check_signer(stamp.person)
        accepted = body["decision"] == "accepted"
        if body["decision"] not in ("accepted", "sent-back"):
            raise Misfit(
                f'the decision "{body["decision"]}"', "accepted or sent-back", "decide for one"
            )
        fields = {"of", "step", "attempt", "reason"} & body.keys()
        if len(fields) != (0 if accepted else 4):
            raise Misfit(
                f"a job {body['decision']} with {', '.join(sorted(fields)) or 'no reason'}",
                "an answer and a reason where it is sent back, and only there",
                "say which answer is to be given anew, and why",
            )
        looked, wrong = self._look(body, accepted)
        if not accepted:
            if self._signed() is not None or self.comebacks:
                raise Misfit(
                    "a job sent back that was let go",
                    "one that is not signed off, and whose car is here",
                    "open a comeback where the car is back, or write a note",
                )
            self.walk.send_back(body["of"], body["step"], body["attempt"])
            self.look_for_the_end()
        shown, answers = _shown(body.get("shown", ()), accepted)
        self.sign_offs.append(
            SignOff(
                *(stamp.seq, stamp.time, stamp.person, accepted),
                *(body.get("of", 0), body.get("step", ""), body.get("reason", "")),
                *(looked, wrong),
                shown=shown,
                answers=answers,
            )
        )

    def _check_signer(self, person: str) -> None:
        if self.ending is None:
            raise Misfit(
                "a sign-off while the job goes on",
                "one of a job that has ended",
                f"go on with it: keysback resume {self.job}",
            )
        if self.scripted and not self.opened.get("demo"):
            raise Misfit(
                "a sign-off of a rehearsal",
                "answers that were given at a car",
                "open a job without an answers file",
            )
        if person in self.worked:
            raise Misfit(
                f"a sign-off by {person}, who worked at this job",
                "somebody who did not",
                "let a second person sign, or leave it: then it says that nobody did",
            )
        signed = self._signed()
        if signed is not None and max(self.worked.values(), default=0) < signed.seq:
            raise Misfit(
                "a second sign-off of the same",
                "new proof since the first",
                f"read it: keysback show {self.job}",
            )

    def _look(self, body: Mapping[str, Any], accepted: bool) -> tuple[bool | None, tuple[str, ...]]:
        """(whether the signer took the look the flow asks for, what they found wrong)."""
        look = body.get("look")
        if look is None:
            if accepted and self.graph.look:
                raise Misfit(
                    "a sign-off that does not say whether the signer looked at the car",
                    "looked at, or not",
                    "say so",
                )
            return None, ()
        given = look if isinstance(look, Mapping) else {}
        looked, named = given.get("looked"), given.get("wrong", ())
        wrong = tuple(named) if isinstance(named, list | tuple) else ("",)
        known = all(name in list(self.graph.look) for name in wrong)
        if not isinstance(looked, bool) or not known or (wrong and not looked):
            raise Misfit(
                "a look at what this flow does not ask for",
                ", ".join(self.graph.look) or "none",
                "look at these, or say that nobody looked",
            )
        if accepted and wrong:
            raise Misfit(
                f"a job accepted, while the signer saw wrong: {', '.join(wrong)}",
                "a job sent back, or everything right",
                "send it back to the step where that is put right",
            )
        return looked, wrong

    def decide(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        kind = self.ending.kind if self.ending is not None else None
        if body["about"] != "relearn" or kind is not EndingKind.RELEARN:
            raise Misfit(
                f"a decision about the {body['about']} "
                + (f"after {kind.value}" if kind is not None else "while the job goes on"),
                "one about the relearn, where the job has ended in one",
                "write a note",
            )
        ruled_out = tuple(body.get("ruled_out", ()))
        if body["choice"] in ruled_out:
            raise Misfit(
                f'the decision "{body["choice"]}", which safety rules out',
                "a way that is left",
                "decide for another way, or write a note",
            )
        self.decisions.append(
            Decision(
                seq=stamp.seq,
                time=stamp.time,
                person=stamp.person,
                about=body["about"],
                choice=body["choice"],
                advised=body.get("advised", ""),
                ruled_out=ruled_out,
                figures=body.get("figures", {}),
                private=body.get("private", {}),
            )
        )

    def close(self, body: Mapping[str, Any], _stamp: Stamp) -> None:
        self.walk.check_not_stopped("a closing")
        fitting = {e.name: e for e in by_hand(self.graph)}
        over = self.ending is not None and (
            self.ending.kind is not EndingKind.PROOF_TO_FOLLOW
            or bool(self.walk.proofs and not self.walk.open_steps())
        )
        if over or body["ending"] not in fitting:
            raise Misfit(
                f"the job closed by hand in {body['ending']}",
                "nothing more, as it has ended" if over else "one of " + ", ".join(fitting),
                "open a new job" if over else "choose one of these",
            )
        self.walk.close(body["ending"])
        self.ending = fitting[body["ending"]]

    def look_for_the_end(self) -> None:
        self.ending = self.graph.endings[self.walk.at] if self.walk.ended else None


Shown = tuple[tuple[str, tuple[int, ...]], ...]
Answers = tuple[tuple[str, tuple[int, ...], str], ...]


def _shown(points: Any, accepted: bool) -> tuple[Shown, Answers]:
    """What the signer was shown, and the reason given to each grave point of it."""
    try:
        shown = tuple((str(p["point"]), tuple(map(int, p["entries"]))) for p in points)
        reasons = [str(p.get("reason", "")) for p in points]
        grave = [p.get("weight") == "grave" for p in points]
    except (AttributeError, KeyError, TypeError, ValueError):
        raise Misfit(
            "a sign-off whose points cannot be read",
            "each point's name with its entries",
            "restore the store from a backup",
        ) from None
    if accepted and any(g and not reason for g, reason in zip(grave, reasons, strict=True)):
        raise Misfit(
            "a job accepted with a grave point that nobody answered",
            "a reason of the signer's own for each",
            "answer each by itself, or send the job back",
        )
    given = zip(shown, reasons, strict=True)
    return shown, tuple((*point, reason) for point, reason in given if reason)
