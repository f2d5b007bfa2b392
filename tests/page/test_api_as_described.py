"""The whole API as it describes itself: whatever is asked, no fault of ours and no answer that is not described.

On a session of a real simulated bench, with its key line; nothing conducts the run, so nothing is keyed.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.page.house import Attended
from benchlog.page.server import Page
from benchlog.plan import load_plan
from benchlog.runs.happenings import Begun
from benchlog.runs.session import Session
from benchlog.simulate.lease import factor_for
from benchlog.store.enter import enter
from tests.page.bench import a_bench
from tests.page.looking import NO_RATES, Served, Viewer

EXAMPLES = 25  # of each operation
REFUSED = [400, 401, 403, 404, 405, 406, 409, 414, 415, 422, 428, 429]  # wrong words may also be too many: 414


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    from benchlog.clock import Clock

    folder = tmp_path_factory.mktemp("api")
    with contextlib.ExitStack() as open_:
        process = open_.enter_context(a_bench(folder / "bench", key_box="timeout"))
        bench, plan = load_bench(process.bench_file, find), load_plan(process.plan_file)
        clock = Clock(factor_for(bench.addresses))
        session = Session("sweep", bench, plan, store=folder / "s.benchlog", clock=clock, drivers=find, keys=True)
        house = Attended(bench.name, plan.transmitter.name, session.store)
        page = open_.enter_context(Page(0, rates=NO_RATES))
        page.serve(house)
        found = Served(page, house, session)
        house.begin(session, found.stop)
        open_.enter_context(session)
        found.feed.tell(Begun(session.id, str(session.store)))
        found.get("/api/status")  # its first worker thread is there now, and ends with the page
        yield found


def test_no_fault_and_no_answer_that_is_not_described(one: Served) -> None:
    """What is right by the description, and what is wrong by it in every way the tool can think of."""
    config = schemathesis.Config.from_dict({"checks": {"negative_data_rejection": {"expected-statuses": REFUSED}}})
    schema = schemathesis.openapi.from_url(f"http://127.0.0.1:{one.port}/api/openapi.json", config=config)
    tried = set()
    # A stream has no end, and a PDF takes seconds to lay out: their own tests are below, and in test_stored.py.
    quick = schema.exclude(path="/api/stream").exclude(path="/api/sessions/{session_id}/record.pdf")
    for found in quick.get_all_operations():
        operation = found.ok()
        for mode in GenerationMode:

            @given(case=operation.as_strategy(generation_mode=mode))
            @settings(max_examples=EXAMPLES, suppress_health_check=list(HealthCheck))
            def ask(case: Any) -> None:
                # A record is made by another process, which may have to wait for the machine.
                case.call_and_validate(headers={"Authorization": f"Bearer {one.token}"}, timeout=60)
                tried.add(f"{case.method} {case.operation.path}")

            with contextlib.suppress(Unsatisfiable):  # where nothing can be wrong with the words
                ask()
    assert len(tried) == 16


def test_every_route_is_described(one: Served) -> None:
    described = one.get("/api/openapi.json").json
    routes = {(path, method) for path, methods in described["paths"].items() for method in methods}
    assert ("/api/key-up", "post") in routes
    assert ("/api/stream", "get") in routes
    for path, method in routes:
        operation = described["paths"][path][method]
        assert operation["description"], path
        assert ("security" in operation) == (method == "post"), path
        assert {"401", "403", "421", "429"} <= set(operation["responses"]), path


def test_the_stream_is_described(one: Served) -> None:
    described = one.get("/api/openapi.json").json["paths"]["/api/stream"]["get"]["responses"]["200"]
    with Viewer(one.port) as viewer:
        assert list(described["content"]) == ["text/event-stream"]
        assert viewer.next().data["run"]["session"] == one.session.id


def test_a_reading_typed_at_a_terminal_is_told_as_well(one: Served) -> None:
    """`benchlog enter` is a process of its own: all it does is to put a row into the store."""
    with Viewer(one.port) as viewer:
        before = viewer.next().data["run"]["typed"]
        wrong = enter(one.session.store, "level control", 31.0)
        told = viewer.until("typed")[-1].data
        right = enter(one.session.store, "level control", 3.1, corrects_ns=wrong.t_ns)
        corrected = viewer.until("typed")[-1].data
    assert (told["entry"], told["channel"], told["value"], told["unit"]) == (
        str(wrong.t_ns),
        "level control",
        31.0,
        "V",
    )
    assert (corrected["entry"], corrected["corrects"]) == (str(right.t_ns), told["entry"])
    assert told["corrects"] is None
    again = one.post("/api/readings", {"channel": "level control", "value": 3.2})
    assert again.status == 201
    with Viewer(one.port) as later:
        typed = later.next().data["run"]["typed"][len(before) :]
    assert [found["value"] for found in typed] == [31.0, 3.1, 3.2], "each once"
    assert {key: typed[2][key] for key in again.json} == again.json


def test_whatever_is_wrong_with_a_press_and_hold_keys_nothing(one: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second half too soon, too late, somebody else's, again, after a key-up, with another band."""
    monkeypatch.setattr("benchlog.page.house.ARMED_FROM_S", 0.2)
    monkeypatch.setattr("benchlog.page.house.ARMED_UNTIL_S", 0.5)

    def armed() -> str:
        return str(one.post("/api/key-down/arm").json["nonce"])

    def second_half(nonce: str, wait_s: float, path: str = "key-down", **more: str) -> str:
        time.sleep(wait_s)
        refused = one.post(f"/api/{path}", {"nonce": nonce, **(more or {"for": "tuning"})})
        assert refused.status == 409
        return str(refused.json["error"])

    assert second_half(armed(), 0.0) == "too soon after arming"
    assert second_half(armed(), 0.7) == "too late after arming"
    assert second_half("somebody else's", 0.0) == "not armed"
    tapped = armed()
    assert second_half(tapped, 0.0) == "too soon after arming"
    assert second_half(tapped, 0.3) == "not armed", "a refused one is used up"
    forgotten = armed()
    assert one.post("/api/key-up").status == 202
    assert second_half(forgotten, 0.3) == "not armed", "key-up disarms"
    one.session.up_asked.clear()
    assert second_half(armed(), 0.3, "band-set", band="80 m") == "the run waits for no band"
    assert one.session.asked.empty()
    monkeypatch.setattr(one.session, "kind", "soak")
    refused = one.post("/api/key-down/arm")
    assert (refused.status, refused.json["error"]) == (409, "the run waits for no band")
    monkeypatch.setitem(one.feed._picture, "awaits_band", "40 m")
    monkeypatch.setattr("benchlog.page.scene.may_key", lambda _: True)
    assert second_half(armed(), 0.3, "band-set", band="80 m") == "the run waits for 40 m, not for 80 m"
    assert second_half(armed(), 0.3) == "this soak keys nothing when asked to"
    assert one.session.asked.empty()
    good = armed()
    time.sleep(0.3)
    assert one.post("/api/band-set", {"nonce": good, "band": "40 m"}).status == 202
    assert second_half(armed(), 0.3, "band-set", band="40 m") == "that was said already"
    assert one.session.asked.get_nowait() == "measuring"
    assert one.session.asked.empty()


def test_a_reading_is_typed_and_corrected(one: Served) -> None:
    """As the operator does it: opened, looked at the needle, typed; wrong, and typed again."""
    with Viewer(one.port) as viewer:
        viewer.next()
        wrong = one.post("/api/readings", {"channel": "grid current", "value": 45, "open_for_s": 1.0})
        assert wrong.status == 201
        right = one.post("/api/readings", {"channel": "grid current", "value": 4.5, "corrects": wrong.json["entry"]})
        assert right.status == 201
        told = [viewer.until("typed")[-1].data for _ in range(2)]
    assert [one["value"] for one in told] == [45.0, 4.5]
    assert told[1]["corrects"] == told[0]["entry"] == wrong.json["entry"]
    assert told[1]["latest"]["value"] == pytest.approx(0.0045), "in SI, as every value on the page"
    again = one.post("/api/readings", {"channel": "grid current", "value": 4.6, "corrects": wrong.json["entry"]})
    assert (again.status, again.json["error"]) == (409, "that entry was corrected before")
    polled = one.post("/api/readings", {"channel": "power", "value": 4.6})
    assert polled.status == 409
    assert "read by an instrument" in polled.json["error"]
    for bad in ("4.5", None, True, "NaN"):
        assert one.post("/api/readings", {"channel": "grid current", "value": bad}).status == 422, bad
    assert one.post("/api/readings", b'{"channel": "grid current", "value": NaN}',
                    Content_Type="application/json").status == 422  # fmt: skip
