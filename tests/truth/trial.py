"""One trial: a session drawn, read, analysed and set beside its truth. And many of them."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import SessionFacts
from tests import benches
from tests.truth.cases import Beside, Case, Timed, matched
from tests.truth.draw import SETTLE_S, Planted, draw
from tests.truth.files import bench_of, plan_of
from tests.truth.found import False_, Fault, Verdicted, false_of, faults_of, verdicts_of
from tests.truth.truths import BandTruths
from tests.truth.world import World

LIMIT_OFF = 1e-3  # a limit at the truth is that much off, to either side


@dataclass
class Outcome:
    """What one session, or many, came to."""

    sessions: int = 0
    clean: int = 0
    key_downs: int = 0
    lost_key_downs: list[str] = field(default_factory=list)
    cases: list[Case] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    false: list[False_] = field(default_factory=list)
    verdicts: list[Verdicted] = field(default_factory=list)
    timed: list[Timed] = field(default_factory=list)

    def add(self, other: Outcome) -> None:
        """Another's beside this one's."""
        self.sessions += other.sessions
        self.clean += other.clean
        self.key_downs += other.key_downs
        self.lost_key_downs += other.lost_key_downs
        self.cases += other.cases
        self.faults += other.faults
        self.false += other.false
        self.verdicts += other.verdicts
        self.timed += other.timed


@dataclass(frozen=True)
class Asked:
    """Which sessions: ``kind``, ``noise`` and ``fault`` leave that to chance where None."""

    seed: int = 1
    kind: str | None = None
    noise: str | None = None
    fault: str | None = None


def make(asked: Asked, number: int) -> Outcome:
    """Session ``number`` of a trial."""
    world = World(draw(asked.seed, number, asked.kind, asked.noise, asked.fault))  # type: ignore[arg-type]
    if world.planted.at_limit:
        world = World(at_limit(world))
    beside = Beside(world, analysed(world))
    planted = world.planted
    found = matched(planted, beside.analysis)
    lost = [
        f"session {number}, {planted.bands[k.band].name}"
        for k, f in zip(planted.key_downs, found, strict=True)
        if not f
    ]
    return Outcome(
        sessions=1,
        clean=int(planted.clean),
        key_downs=len(found),
        lost_key_downs=lost,
        cases=beside.cases,
        faults=list(faults_of(beside)),
        false=list(false_of(beside)),
        verdicts=list(verdicts_of(beside)),
        timed=list(beside.timed()),
    )


def analysed(world: World) -> Analysis:
    """Through the program's own front door: bench and plan from their files' words, series as the store gives them."""
    planted = world.planted
    facts = SessionFacts(planted.number, planted.kind, "Loan set 3", "North bench", 0, None, "0" * 64)
    return benches.analysed(facts, bench_of(planted), plan_of(planted), world.readings())


def at_limit(world: World) -> Planted:
    """The same with limits that are the truth itself, give or take ``LIMIT_OFF`` of it: half miss it, half meet it."""
    planted = world.planted
    rng = planted.generator(1)
    bands = []
    for number, band in enumerate(planted.bands):
        keyed = [k for k in planted.key_downs if k.band == number]
        truth = BandTruths(world, band, [(k.start_s + SETTLE_S, k.stop_s - 0.5) for k in keyed], keyed)
        off = (1 + LIMIT_OFF * rng.uniform(-1, 1, 4)).tolist()
        droop, drift = truth.droop_percent() / 100, truth.drift_hz_per_h()
        bands.append(
            replace(
                band,
                min_power_w=truth.mean("power") * off[0],
                max_droop=droop * off[1] if droop > 0.005 else band.max_droop,
                max_error_hz=abs(truth.frequency_error_hz()) * off[2],
                max_drift_hz_per_h=abs(drift) * off[3] if drift else band.max_drift_hz_per_h,
            )
        )
    return replace(planted, bands=tuple(bands))


def make_all(asked: Asked, numbers: Iterable[int], workers: int = 1) -> Outcome:
    """Many sessions, on so many cores."""
    total = Outcome()
    if workers == 1:
        for number in numbers:
            total.add(make(asked, number))
        return total
    with ProcessPoolExecutor(workers) as pool:
        for outcome in pool.map(make, *zip(*[(asked, number) for number in numbers], strict=True), chunksize=8):
            total.add(outcome)
    return total
