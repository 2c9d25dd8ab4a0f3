"""The pieces of text a skeleton is made of: its head, the steps written out, its endings.

Text and nothing else; `skeleton` puts them together. Words in capitals are put in there.
"""

HEAD = """\
{heading}
#
# Begun by `keysback flows new`. It proves as it stands. Lines with EDIT say what to change first.
#   keysback flows prove --watch FILE   proves again whenever you save
#   keysback flows try FILE             walks through it; nothing is recorded
# A step of kind `part` is a piece of the library. Its `results` say where each result leads.

keysback_flow: 1
id: {id}
title: {title}
# EDIT: one sentence, what was done to the car.
repair: {repair}
audience: [{audience}]
start: opening
on_stop: stop-now
{second_look}"""

SECOND_LOOK = {
    "starts": "It starts and idles by itself, and nothing climbs",
    "lamps": "With the engine running no warning lamp stays lit",
    "brakes": "The brake pedal is firm, and the wheel turns freely from lock to lock",
    "leaks": "Nothing drips or smells with the engine warm and running",
}

LEAKS = """\
  # A question written out. Every answer needs exactly one branch; so does `cannot`. An answer that
  # is not under `passes` counts against the car, and may be tried again only after a remedy.
  leaks:
    kind: ask
    title: Nothing leaks
    # EDIT: say where to look on this repair.
    say: >-
      Engine running, parked. Look and smell, with a lamp and without touching, at everything that
      was opened. Does anything drip, spray or smell?
    owner: >-
      Engine running, parked. Look and smell from above and below, without touching anything. Does
      anything drip, spray or smell?
    why: A small leak burns a car as well as a big one.
    does: [runs-engine, hands-under-bonnet, opens-fuel]
    hazards: [carbon-monoxide, rolling, moving-parts, hot-parts, throttle-plate, fire, fuel]
    group: safe-to-drive
    answers:
      dry: Dry, and no smell
      leaks: It drips, sprays or smells
    passes: [dry]
    branches:
      - {when: dry, to: THEN}
      - {when: {outcome: [leaks], attempts: {to: 2}}, to: cure-leak}
      - {when: {outcome: [leaks], attempts: {from: 2}}, to: tow}
      - {when: cannot, to: not-shown}

  cure-leak:
    kind: do
    title: Cure the leak
    say: >-
      Engine off and cool. Cure what leaked as the service information describes it. Done when it
      is cured.
    does: [remedy, hands-under-bonnet, opens-fuel]
    hazards: [moving-parts, hot-parts, throttle-plate, fire, fuel]
    optional: >-
      Asked only when something leaked. Whether it is cured shows when it is looked at again.
    branches:
      - {when: done, to: first-start}
      - {when: cannot, to: tow}
"""

BRAKES = """\
  # A question written out. Every answer needs exactly one branch; so does `cannot`.
  brakes:
    kind: ask
    title: Brakes and steering, parked
    # EDIT: say what to try on this repair.
    say: >-
      Engine running, parked, in P or N. Press the brake pedal hard and hold it. Then turn the
      wheel from lock to lock.
    why: What is found here is found standing still.
    does: [runs-engine]
    hazards: [carbon-monoxide, rolling]
    group: safe-to-drive
    answers:
      good: The pedal is firm and holds, and the wheel turns freely
      not-good: One of these was not so
    passes: [good]
    branches:
      - {when: good, to: THEN}
      - {when: not-good, to: tow}
      - {when: cannot, to: not-shown}
"""

CHARGE = """\
  # A recording put to a check. What may be told instead never counts as recorded.
  charge:
    kind: record
    title: The charge
    say: >-
      Switch off once more. Record supply voltage and engine speed from before the next start.
      Idle for a minute, then hold 2,000 rpm for half a minute, lamps on.
    why: A full battery hides a generator that does not charge, for a day or two.
    does: [starts-engine, presses-pedal]
    hazards: [carbon-monoxide, rolling, runaway]
    group: complaint-gone
    # EDIT: `keysback checks` lists every check there is.
    checks: [charging]
    told:
      question: >-
        Is the charge lamp out, and do the lamps hold their brightness from idle to raised speed?
      passes: Out, and they hold
      fails: The lamp is lit, or they flicker or dim
    later:
      settle: >-
        Record supply voltage and engine speed from before the start, one minute of idle and half
        a minute at 2,000 rpm.
      by: within two weeks
    branches:
      - {when: {outcome: [undecided], attempts: {to: 2}}, to: charge}
      - {when: {outcome: [undecided], attempts: {from: 2}}, to: THEN}
      - {when: [pass, told-pass, told-undecided, cannot], to: THEN}
      - {when: [fail, told-fail], to: wiring-fault}
"""

COMPLAINT = """\
  # The last question. A required step that may stay open when the car leaves says under `later`
  # what settles it, and by when.
  complaint:
    kind: ask
    title: Is the complaint gone?
    # EDIT: say how the complaint used to come, and how long to run the car.
    say: SAY
    why: A fault that came once a week is not gone because it stayed away for ten minutes.
    group: complaint-gone
    answers:
      gone: About three times as long as it used to take, and it did not come
      came-back: It came back
      too-short: It did not come, but that was not long enough
    passes: [gone]
    unsure: [too-short]
    later:
      settle: >-
        Drive on as the complaint used to come, about three times as long as it used to take.
        Bring the car back if it comes.
      by: within four weeks
    branches:
      - {when: [gone, too-short, cannot], to: decide}
      - {when: came-back, to: still-wrong}

  # Nobody is asked here: what was proven on the way decides.
  decide:
    kind: gate
    title: What has been proven
    branches:
      - {when: hand-back, to: hand-back}
      - {when: proof-to-follow, to: proof-to-follow}
      - {when: neither, to: not-shown}
"""

RELEARN = """\
  # ---- what is still wrong: the relearn, once ----------------------------------------------------

  next-remedy:
    kind: gate
    title: What to try next
    branches:
      - {when: {earlier: [{step: relearn/who, outcome: [not-visited]}]}, to: relearn}
      - when:
          earlier:
            - step: relearn/who
              outcome: [here, by-hand, mobile, shop, no-routine, cannot]
        to: still-wrong

  # EDIT: a relearn that is always needed is led to from where it belongs.
  relearn:
    kind: part
    part: relearn
    results:
      done-verified: key-on
      mobile: relearn-elsewhere
      shop: relearn-elsewhere
      no-routine: still-wrong
      not-ready: still-wrong
      failed-twice: still-wrong
"""

RELEARN_ENDING = """\
  relearn-elsewhere:
    kind: relearn
    title: Relearn by somebody else
    advice: >-
      Leave the car where it stands, or have it towed. Pass on the codes and the conditions that
      the service information gives.
    owner: >-
      Leave the car where it stands, or have it towed. Show this record to whoever does the
      relearn.
    # EDIT: who has the equipment near you.
    who: Whoever has the relearn for this car, here or at the end of a tow.
"""

ENDINGS = """\
# Where a close-out can stop. EDIT the advice: it is what people read last.
endings:

  hand-back:
    kind: hand-back
    title: Hand the keys back
    advice: >-
      Everything this repair asks for was shown. Tell the customer what was done and what was
      measured.
    owner: Everything this repair asks for was shown. Keep the record with the bill.

  proof-to-follow:
    kind: proof-to-follow
    title: Hand back, with proof to follow
    advice: >-
      The car is safe to drive. Some proof is still open, and the list says what settles it and by
      when. Give the customer the list and the date.
    owner: >-
      By what you saw, heard and felt, the car is safe to drive. Some proof is still open, and the
      list says what settles it and by when. If anything on it goes wrong before then, ask a
      workshop.

RELEARN
  still-wrong:
    kind: back-to-diagnosis
    title: Back to diagnosis
    advice: Something is still wrong. The car stays until the cause is found.
    owner: >-
      Something is still wrong. Ask a workshop and show them this record. If the car stalls or
      does not answer the pedal well, have it towed.

  wiring-fault:
    kind: back-to-diagnosis
    title: Wiring, supply or part
    advice: >-
      Measure supply, grounds and signals under load, then judge the part. The car stays until the
      cause is found.
    owner: This is work for a workshop. Show them this record and the codes.

  not-shown:
    kind: back-to-diagnosis
    title: Not enough was shown
    advice: >-
      A step that the car must pass is open or failed, and the list says which. If codes were
      cleared after the drive, drive again. The keys stay here until it is shown.
    owner: >-
      A step that the car must pass is open or failed, and the list says which. Leave the car
      where it stands and ask a workshop.

  not-finished:
    kind: back-to-diagnosis
    title: The work is not finished
    advice: Finish the work, then close the car out again from the start.
    owner: The work is not right yet. Do not start the engine. Ask a workshop to finish it.

  tow:
    kind: do-not-drive
    title: Do not drive
    advice: The car may not move under its own power. Key off, keys out, a note on the wheel.
    owner: Do not drive the car, not even home. Have it towed to a workshop.

  stop-now:
    kind: do-not-drive
    title: "Stop: engine off, do not drive"
    advice: >-
      Engine off, key off. Nobody starts it again until the reason is found. It moves on a tow
      truck only.
    owner: >-
      Engine off, key off, step away from the car. Do not start it again. Have it towed to a
      workshop.
"""
