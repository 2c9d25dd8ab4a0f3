"""SCXML as text: what the schema of SCXML 1.0 asks of the few elements that are used.

Source of the patterns: the W3C's XML Schema of SCXML 1.0 (scxml-datatypes.xsd, EventTypes.datatype;
ids are xsd:ID, `initial` and `target` xsd:IDREFS, `name` and `datamodel` xsd:NMTOKEN, attributes of
other namespaces are allowed). Two interpreters read it in tests/outside/.
"""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, step
from tests.flow.test_expanded import proven, relearn_flow
from verify.flow.expanded import Chart, expand
from verify.flow.proof import ProvenFlow, prove
from verify.flow.scxml import NAMESPACE, chart_to_scxml, state_ids
from verify.words import Audience

NCNAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
NMTOKEN = re.compile(r"[A-Za-z0-9_.:-]+")
EVENTS = re.compile(r"[A-Za-z0-9_:-]+(\.[A-Za-z0-9_:-]+)*(\s[A-Za-z0-9_:-]+(\.[A-Za-z0-9_:-]+)*)*")


def chart_of(found: ProvenFlow, audience: Audience = Audience.TECHNICIAN) -> Chart:
    return expand(found, audience, CATALOGUE)


def test_the_whole_text_of_a_small_flow() -> None:
    graph = flow(
        step("ask", "smell", go("yes", "keys"), go(["no", "cannot"], "diagnosis")),
        step("gate", "keys", go("hand-back", "tow"), go(["proof-to-follow", "neither"], "tow")),
    )
    assert chart_to_scxml(chart_of(proven(graph))) == (
        """\
<?xml version="1.0" encoding="UTF-8"?>
<scxml xmlns="http://www.w3.org/2005/07/scxml" xmlns:kb="urn:keysback:chart" version="1.0"
    datamodel="null" name="test" initial="smell"
    kb:flow="test" kb:audience="technician"
    kb:title="Test">
  <state id="smell" kb:name="smell"
      kb:kind="ask" kb:title="Smell">
    <transition event="yes" target="keys"/>
    <transition event="no cannot" target="diagnosis"/>
    <transition event="stop" target="tow"/>
  </state>
  <state id="keys" kb:name="keys"
      kb:kind="gate" kb:title="Keys">
    <transition event="gate:hand-back" target="tow"/>
  </state>
  <final id="diagnosis" kb:kind="back-to-diagnosis" kb:title="Back to diagnosis"/>
  <final id="tow" kb:kind="do-not-drive" kb:title="Do not drive"/>
</scxml>
"""
    )  # fmt: skip


def test_ids_say_step_and_attempt_and_number_what_shares_them() -> None:
    chart = chart_of(relearn_flow())
    names = dict(zip((s.name for s in chart.states), state_ids(chart), strict=True))
    assert names["smell"] == "smell"
    assert names["run@1+smell:yes"] == "run.1..1"
    assert names["run@1+smell:not-yes"] == "run.1..2"
    assert names["run@2+smell:yes"] == "run.2..1"


def test_titles_cannot_break_out_of_the_text() -> None:
    graph = flow(
        step("ask", "smell", go(["yes", "no", "cannot"], "diagnosis"), optional=True,
             title='A "quote" & <tag> \'\n]]>'),
    )  # fmt: skip
    chart = chart_of(proven(replace(graph, title="<scxml>&'\"")))
    root = ElementTree.fromstring(chart_to_scxml(chart))
    assert root.get("{urn:keysback:chart}title") == "<scxml>&'\""
    assert root[0].get("{urn:keysback:chart}title") == 'A "quote" & <tag> \'\n]]>'


def test_every_chart_has_the_form_that_the_schema_asks_for() -> None:
    charts = 0
    for seed in range(1000):
        found = prove(random_flow(seed, gates=seed % 2 == 0), CATALOGUE)
        if isinstance(found, ProvenFlow):
            for audience in found.graph.audiences:
                check_form(chart_to_scxml(chart_of(found, audience)))
                charts += 1
    assert charts > 40


def check_form(text: str) -> None:
    root = ElementTree.fromstring(text)
    assert root.tag == f"{{{NAMESPACE}}}scxml"
    assert (root.get("version"), root.get("datamodel")) == ("1.0", "null")
    assert NMTOKEN.fullmatch(str(root.get("name")))
    ids = [element.get("id") for element in root]
    assert len(set(ids)) == len(ids)
    assert all(NCNAME.fullmatch(str(one)) for one in ids)
    assert root.get("initial") == ids[0]
    for element in root:
        tag = element.tag.removeprefix(f"{{{NAMESPACE}}}")
        assert tag in ("state", "final")
        assert (tag == "state") == bool(len(element))
        own = {"id", *(a for a in element.attrib if a.startswith("{urn:keysback:chart}"))}
        assert set(element.attrib) == own
        for transition in element:
            # No condition, no content: an event and a target, both there.
            assert transition.tag == f"{{{NAMESPACE}}}transition"
            assert set(transition.attrib) == {"event", "target"}
            assert not len(transition)
            assert transition.get("target") in ids
            assert EVENTS.fullmatch(str(transition.get("event")))
