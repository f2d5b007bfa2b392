"""``report --json`` against the structure the design fixes."""

from __future__ import annotations

import dataclasses
import json
import math
from collections import defaultdict

import pytest

from benchlog.analysis.results import Dial, Finding, Record, Result
from benchlog.analysis.uncertainty import combine
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component
from benchlog.report import record_json
from tests.report import samples

M = ("value", "expanded", "k", "dof", "limit", "verdict")  # the contract's; what is added to it comes after
VERDICTS = {"pass", "fail", "undecided", "not-measured"}
MEASURED = ["power_w", "droop_percent", "frequency_error_hz", "frequency_error_ppm", "drift_hz_per_h"]


def strict(text: str) -> dict:
    def refuse(token: str) -> None:
        raise AssertionError(f"{token} is not JSON")

    return json.loads(text, parse_constant=refuse)


def is_m(part: dict) -> None:
    assert tuple(part)[: len(M)] == M
    if part["budget"] and part["expanded"]:  # lines of one error are summed with their signs, then all by squares
        by_error = defaultdict(float)
        for i, line in enumerate(part["budget"]):
            by_error[line["shared"] or i] += line["u"]
        assert math.hypot(*by_error.values()) * part["k"] == pytest.approx(part["expanded"])
    assert part["verdict"] in VERDICTS
    assert (part["value"] is None) == (part["verdict"] == "not-measured")


def test_lines_of_one_error_are_named_and_keep_their_signs():
    lines = [Component(3.0, shared="zero"), Component(-2.0, shared="zero"), Component(1.0)]
    part = result(combine(10.0, lines), None, Sense.AT_MOST).as_json()
    is_m(part)
    assert [(line["u"], line["shared"]) for line in part["budget"]] == [(3.0, "zero"), (-2.0, "zero"), (1.0, None)]


@pytest.mark.parametrize("sample", [samples.five_bands, samples.troubled, samples.one_band, samples.silence])
def test_the_record_has_the_contracts_structure(sample) -> None:
    session = sample()
    record = strict(record_json.dumps(samples.analysed(session).record))
    assert list(record)[:6] == ["schema", "session", "bands", "dial", "findings", "readings"]
    assert record["schema"] == "benchlog-record/1"
    assert list(record["session"])[:7] == ["id", "kind", "transmitter", "bench", "started", "ended", "digest"]
    assert record["session"]["started"] == "2026-11-25T09:03:09.250Z"
    assert record["session"]["kind"] == session.facts.kind
    heard = () if sample is samples.silence else session.plan.bands
    assert [b["band"] for b in record["bands"]] == [b.name for b in heard]
    for band in record["bands"]:
        contract = ["band", "expected_hz", "key_downs", *MEASURED, "settled_after_s"]
        assert list(band)[: len(contract)] == contract
        for name in MEASURED:
            is_m(band[name])
    if record["dial"] is not None:
        assert list(record["dial"]) == ["common_hz", "bands"]
        is_m(record["dial"]["common_hz"])
        for band in record["dial"]["bands"]:
            assert list(band) == ["band", "own_hz"]
            is_m(band["own_hz"])
    for finding in record["findings"]:
        contract = ["kind", "band", "channel", "from", "to", "value", "limit", "text"]
        assert list(finding)[: len(contract)] == contract
    assert set(record["readings"]) == {"good", "over_range", "invalid", "missed"}
    assert sum(record["readings"].values()) == sum(len(raw) for raw in session.raw.values())


def test_numbers_json_has_no_token_for_become_null() -> None:
    facts = samples.five_bands().facts
    dial = Dial(Result(-math.inf, math.nan, 2.0, math.inf, None, "pass"), {})
    findings = (Finding("gap", "nothing", value=math.nan, limit=math.inf),)
    record = strict(record_json.dumps(Record(facts, (), dial, findings, {"good": 0})))
    assert record["dial"]["common_hz"] == {
        **dict.fromkeys(M),
        "conformity": None,
        "k": 2.0,
        "verdict": "pass",
        "budget": [],
    }
    assert record["findings"][0]["value"] is None
    assert record["findings"][0]["limit"] is None


def test_names_survive_as_they_are() -> None:
    facts = dataclasses.replace(samples.five_bands().facts, transmitter='Röhre "3" \\ </script>')
    text = record_json.dumps(Record(facts, (), None, ()))
    assert json.loads(text)["session"]["transmitter"] == 'Röhre "3" \\ </script>'
    assert text.endswith("}\n")
