"""What the codes mean, against public lists of SAE codes (data/codes/, read by eye, as keywords).

lists.csv names each list with its version; seen.csv holds, for every code and list, the keywords of
what that list says, and whether it agrees; shifted.csv what a list says that is shifted by a row
(rows whose words would fit both meanings are left out).
Lists of SAE codes descend from one standard, so agreement shows that rows were not mixed up; it
does not prove the standard's wording.
"""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import pytest

from verify import tables
from verify.car.codes import fact, meaning

DATA = Path(__file__).parent / "data" / "codes"

# A keyword of the lists → how our sentence says it. Single capitals stand for sensor letters.
WORDS = {
    **{letter: rf"(?<![A-Za-z]){letter}(?![A-Za-z])" for letter in "ABCDEF"},
    **{f"cyl{n}": rf"cylinder {n}\b" for n in range(1, 9)},
    **{f"coil{letter}": rf"coil {letter}\b" for letter in "ABCDEFGH"},
    "low": r"\blow\b",
    "high": r"\bhigh\b",
    "range": r"plausible|can be breathing|follow its command",
    "circuit": r"circuit|fault|control side",
    "intermittent": r"comes and goes|erratic|unstable",
    "open": r"\bopen\b",
    "no-signal": r"no signal|without signal",
    "performance": r"perform|does not hold|does not keep|should",
    "fault": r"fault",
    "disagree": r"disagree|does not fit|do not fit",
    "bank1": r"bank 1",
    "bank2": r"bank 2",
    "sensor1": r"sensor 1",
    "sensor2": r"sensor 2",
    "left": "left",
    "right": "right",
    "front": "front",
    "rear": "rear",
    "lean": "lean",
    "rich": "rich",
    "leak": "leak",
    "stuck": "stuck",
    "hot": r"too hot",
    "cold": r"too cold",
    "slow": "slowly",
    "little": r"too little|stays colder",
    "much": r"too much",
    "load": "under load",
    "idle": "idle",
    "off-idle": "off idle",
    "at-idle": "at idle",
    "throttle": "throttle",
    "throttle-sensor": r"throttle or pedal position sensor",
    "throttle-plate": "throttle",
    "throttle-body": "throttle body",
    "throttle-output": "throttle position output",
    "actuator": r"actuator",
    "motor": "motor",
    "body": "body",
    "current": "current",
    "closed-stop": "closed stop",
    "open-stop": "open stop",
    "stuck-open": "stuck open",
    "stuck-closed": "stuck closed",
    "forced-idle": "forced idle",
    "shutdown": "shuts the engine down",
    "limited-power": "limits the power",
    "limited-speed": "limits the engine speed",
    "not-learned": "not learned",
    "ice": "ice",
    "inhibit": "inhibit",
    "closed": "closed",
    "switch": "switch",
    "pedal": "accelerator pedal",
    "air-mass": "air mass meter",
    "manifold": "manifold pressure",
    "intake": "intake",
    "intake-temperature": "intake air temperature",
    "second": "second",
    "outside-temperature": "outside air temperature",
    "outside-pressure": r"outside (?:air )?pressure",
    "coolant-temperature": "coolant temperature",
    "coolant": "coolant",
    "closed-loop": "closed-loop",
    "thermostat": "thermostat",
    "cooling": "cooling system",
    "fan": "cooling fan",
    "one": r"fan 1",
    "two": r"fan 2",
    "air-flow": "air flow",
    "sudden": "suddenly",
    "filter": "air filter",
    "meter": "air mass meter",
    "valves": "intake valves",
    "boost": "boost",
    "fuel": "fuel",
    "fuel-pressure": "fuel pressure",
    "fuel-regulator": "fuel pressure regulator",
    "rail-sensor": "fuel rail pressure sensor",
    "delivery": "delivery",
    "fuel-pump": "fuel pump",
    "large": "large",
    "small": "small",
    "very-small": "very small",
    "trim": "fuel trim",
    "injector": "injector",
    "injector-supply": "injector supply voltage",
    "balance": "balance",
    "oxygen": "oxygen sensor",
    "heater": "heater",
    "after-catalyst": "after the catalyst",
    "catalyst": "catalyst",
    "egr": "exhaust gas recirculation",
    "secondary-air": "secondary air",
    "flow": "flow",
    "evap": "fuel vapour",
    "purge-valve": "purge valve",
    "cap": "cap",
    "misfire": "misfire",
    "several": "several cylinders",
    "one-unknown": "one cylinder, not said which",
    "low-fuel": "fuel level was low",
    "start": "start",
    "fuel-off": "fuel was shut off",
    "crank": "crankshaft",
    "cam": "camshaft",
    "crank-cam": "crankshaft and camshaft",
    "engine-speed": "engine speed",
    "knock": "knock sensor",
    "coil": "ignition coil",
    "secondary": "secondary circuit",
    "oil": "oil",
    "oil-temperature": "oil temperature",
    "oil-pressure": "oil pressure",
    "overspeed": "faster than it may",
    "injection-timing": "injection timing",
    "primary": "control side",
    "vehicle-speed": "vehicle speed sensor",
    "output-speed": "output speed sensor",
    "control": "control",
    "slower": "slower",
    "faster": "faster",
    "brake-switch": "brake (?:pedal )?switch",
    "brake": "brake",
    "booster": "brake booster",
    "system-voltage": "system voltage",
    "unstable": "unstable",
    "charging": "charging voltage",
    "power-input": "supply input",
    "power-relay": "power relay",
    "sense": "sensing",
    "ignition-switch": "ignition switch",
    "reference": "reference voltage",
    "actuator-supply": "actuator supply voltage",
    "generator": "generator",
    "starter": "starter",
    "lamp": "lamp",
    "serial": "serial communication",
    "module": "module",
    "checksum": "checksum",
    "programmed": "programmed",
    "keep-alive": "keep-alive",
    "working-memory": "working memory",
    "program-memory": "program memory",
    "processor": "processor",
    "options": "options",
    "timer": "timer",
    "vin": "vehicle number",
    "key": "key",
    "transmission": "transmission",
    "electrical": "electrical",
    "clutch-switch": "clutch switch",
    "gear-position": "gear selector position",
    "engine": "engine",
    "bus": "bus",
    "fast-bus": "high-speed data bus",
    "plus": "plus line",
    "minus": "minus line",
    "shorted": "shorted",
    "off": r"\boff\b",
    "no-communication": "no communication",
    "software": "software does not match",
    "bad-data": "implausible data",
    "transfer-case": "transfer case",
    "gear-shift": "gear shift",
    "cruise": "cruise",
    "glow-plug": "glow plug",
    "drive-motor": "drive motor",
    "four-wheel": "four-wheel",
    "brake-abs": "brake control module",
    "brake-system": "brake system",
    "parking-brake": "parking brake",
    "dynamics": "vehicle dynamics",
    "steering-angle": "steering angle",
    "power-steering": "power steering",
    "gateway": "gateway",
    "restraints": "restraints",
    "instrument": "instrument cluster",
    "immobiliser": "immobiliser",
    "inlet": "inlet",
    "outlet": "outlet",
    "pump": "pump",
    "valve": "valve",
    "stop-lamp": "stop lamp",
    "wheel": "wheel",
    "ring": "ring",
    "sensor": "sensor",
    "supply": "supply",
    "brake-pedal": "brake pedal",
    "brake-pressure": "brake pressure sensor",
    "brake-fluid": "brake fluid",
    "brake-wear": "wear",
    "yaw": "yaw",
    "roll": "roll rate",
    "sideways": "sideways acceleration",
    "lengthways": "lengthways acceleration",
    "several-axes": "several axes",
    "mismatch": "do not match",
}


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


SEEN = rows("seen.csv")
BY_CODE: dict[str, list[dict[str, str]]] = defaultdict(list)
for row in SEEN:
    BY_CODE[row["code"]].append(row)


def says(sentence: str, keyword: str) -> bool:
    return re.search(WORDS[keyword], sentence) is not None


def sentences(code: str) -> tuple[str, str]:
    """Our meaning, and what we say that other lists say."""
    own, _, other = meaning(code).partition(" (other lists: ")
    return own, other.removesuffix(")")


def test_every_code_was_looked_up_and_every_look_is_of_a_known_list() -> None:
    lists = {row["list"] for row in rows("lists.csv")}
    assert {row["list"] for row in SEEN} <= lists
    assert set(BY_CODE) == {row["code"] for row in tables.rows("seeds/codes.csv")}
    assert {row["agrees"] for row in SEEN} == {"yes", "no"}


@pytest.mark.parametrize("code", sorted(BY_CODE))
def test_our_words_say_what_each_list_says(code: str) -> None:
    own, other = sentences(code)
    for row in BY_CODE[code]:
        for keyword in row["keywords"].split():
            where = own if row["agrees"] == "yes" else other
            assert says(where, keyword), (row["list"], keyword, where)


@pytest.mark.parametrize("code", sorted(BY_CODE))
def test_how_sure_we_are_is_what_was_seen(code: str) -> None:
    agreeing = {row["list"] for row in BY_CODE[code] if row["agrees"] == "yes"}
    row = fact(code)
    assert row is not None
    if any(r["agrees"] == "no" for r in BY_CODE[code]):
        assert row.sure == "lists disagree"
        assert "other lists" in row.meaning
    else:
        assert row.sure == ("two lists" if len(agreeing) >= 2 else "one list")


def test_enough_codes_stand_on_two_lists() -> None:
    two = [code for code in BY_CODE if (row := fact(code)) and row.sure == "two lists"]
    assert len(two) >= 490


@pytest.mark.parametrize("row", rows("shifted.csv"), ids=lambda row: row["code"])
def test_our_table_is_not_the_list_that_is_shifted_by_a_row(row: dict[str, str]) -> None:
    own, _ = sentences(row["code"])
    assert not all(says(own, keyword) for keyword in row["keywords"].split())


def test_a_table_shifted_by_a_row_would_be_seen() -> None:
    """Each code given the words of the code before it: hardly one may pass."""
    codes = sorted(BY_CODE)
    passed = [
        code
        for before, code in pairwise(codes)
        if all(
            says(sentences(before)[0], keyword)
            for row in BY_CODE[code]
            if row["agrees"] == "yes"
            for keyword in row["keywords"].split()
        )
    ]
    assert len(passed) <= 0.05 * len(codes), passed


def test_where_lists_disagree_on_the_wheel_the_screen_says_so() -> None:
    # Chassis codes: in the standard's numbering three codes a wheel, in an older one seven.
    assert "right front" in sentences("C0035")[0]
    assert "left front" in sentences("C0035")[1]
    assert "brake pedal" in sentences("C0040")[0]
    assert "right front wheel" in sentences("C0040")[1]
