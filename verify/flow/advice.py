"""A finding of the prover as text for whoever edits the flow: where, why, a walk, and what to do.

Beside `proof`: decides nothing. The first line of a block is what editors can follow, as with the
problems of `load`.
"""

from __future__ import annotations

from verify.flow.build import ALONE, RESULT
from verify.flow.finding import Finding
from verify.flow.graph import Graph, Promise

# What to do about a finding of each rule; a test counts that none is missing.
ADVICE = {
    "names": "write a name that exists",
    "caution": "add it to `hazards:` of the step, or take the activity out of `does:`",
    "grade": "say under `least:` what the step needs, and why it needs no more (`least_reason:`)",
    "group": 'add "group:", or the reason why the step is "optional:"',
    "later": "add later: {settle: what would settle it, by: when}",
    "never-passes": 'name a good answer under "passes:", or the reason why it is "optional:"',
    "too-big": "let fewer branches ask about earlier steps, or let the ways meet again sooner",
    "no-branch": "add a branch for it, or add it to the `when` of a branch that is there",
    "two-branches": "take it out of one of the two branches",
    "endless-loop": "let the branch that goes back hold for `attempts: {to: 3}`, and add one for "
    "`attempts: {from: 3}` that leads out",
    "unreachable": "let a branch lead to it, or remove it",
    "branch-never-taken": "remove the branch, or correct its `when`",
    "promise-before": "lead this walk through the step that must come first, or drop the promise",
    "promise-never": "lead this walk away from the step unless the other passed, or drop the "
    "promise",
    "codes-saved-first": "put a codes step with `does: [saves-codes]` before the clearing",
    "drive-after-clearing": "lead every way from the clearing through a step with "
    "`does: [road-test]`",
    "hand-back": "let a gate decide, and lead to the ending from its outcome `hand-back` alone",
    "proof-to-follow": "let a gate decide, and lead to the ending from its outcome "
    "`proof-to-follow` alone",
    "failed-to-follow": "lead what fails to diagnosis, to a relearn or over a step with "
    "`does: [remedy]` back to the question; where it is only not known yet, let that answer be "
    "`unsure`",
    "safe-unasked": "add a required step with `group: safe-to-drive` of which some answer fails",
    "gone-unasked": "add a required step with `group: complaint-gone` of which some answer fails",
    "second-throw": "put a step with `does: [remedy]` on the way back, or lead elsewhere",
}


def finding_text(graph: Graph, finding: Finding, name: str = "", *, last: int = 0) -> str:
    """One finding as a block: "file:line:column: field", the reason, the walk, what to do.

    name: of the file to show where a step does not know it (an ending, the flow as a whole).
    last: how many steps of the walk to show, counted from its end; 0 shows all.
    """
    promise = _broken(graph, finding)
    # A part that is proven alone is put into a flow of its own, which nobody has written.
    alone = graph.start.startswith(f"{ALONE}/") and graph.on_stop == "stopped"
    own = finding.step
    if alone:
        own = own.removeprefix(f"{ALONE}/").removeprefix(RESULT)
    step, ending = graph.steps.get(finding.step), graph.endings.get(finding.step)
    if promise is not None and promise.line:
        # Where it is promised: the step may stand in a part that its author does not touch.
        place, at = promise.file or name, (promise.line, promise.column)
        field = f"promises.{promise.index}"
    elif step is not None:
        place, at, field = step.file or name, (step.line, step.column), f"steps.{own}"
    elif ending is not None:
        place, at = name, (ending.line, ending.column)
        field = f"results.{own}" if alone else f"endings.{own}"
    else:
        place, at, field = name, (finding.line, 0), ""
    where = ":".join([place, *(str(n) for n in at if n)])
    walk = [f"    {number}. {taken}" for number, taken in enumerate(finding.walk, start=1)]
    if last and len(walk) > last + 1:
        walk = [f"    … {len(walk) - last} steps before", *walk[-last:]]
    head = f"{where}: {field}" if field else where
    return "\n".join([head, f"  {finding.message}", *walk, f"  {ADVICE[finding.rule]}"])


def _broken(graph: Graph, finding: Finding) -> Promise | None:
    """The promise that a finding says is broken."""
    kind = finding.rule.removeprefix("promise-")
    for promise in graph.promises:
        if promise.kind == kind and promise.then == finding.step:
            first = graph.steps.get(promise.first)
            if first is not None and f"“{first.title}”" in finding.message:
                return promise
    return None
