"""Equipment reasoning against other solvers on open rules of a car maker's size.

Every line is a ratio of two times measured in turn in one run. Data: ../shared/data/feature-models
(automotive02_v4: 18,616 options; automotive01: 2,513; FinancialServices01: 712). Peers: uvllang
0.4 (native back end), python-sat 1.9: Glucose 4, RC2 with its usual flags and sequential counters,
BBScan, MUSX, OptUx; with ``--slow``, which needs minutes, also RC2 over CaDiCaL and stratified,
clingo 5.8 and CP-SAT 9.15. Lists are those of the stored instances (seeds stand in their files);
clicks are drawn with seed 1. ``--uvlparser PYTHON`` names an interpreter that has uvlparser 2.5
installed, which is in no lock. ``--svg FILE`` draws the table. Times are processor time, since a
busy machine stretches long calls more than short ones; its load is printed.
"""

import argparse
import gc
import gzip
import json
import random
import statistics
import subprocess
import sys
import tempfile
import zlib
from functools import partial
from pathlib import Path
from typing import Any

import uvllang
from pysat.examples.bbscan import BBScan
from pysat.examples.musx import MUSX
from pysat.examples.optux import OptUx
from pysat.formula import CNF, WCNF
from pysat.solvers import Glucose4

from _equipment_clock import measure, read_clock, say_spread, take_turns
from _equipment_peers import PEERS, Search, read_with_uvlparser, search_with_rc2
from _equipment_table import Line, draw, show
from donorfit.equipment import RepairRequest, Structure, months, read_uvl, repair
from donorfit.equipment.compiled import Compiled, compile_rules
from donorfit.equipment.repair_search import Problem, RepairSearch
from donorfit.equipment.rule_clauses import list_all_clauses
from donorfit.equipment.warm import Warm, get_warm
from donorfit.equipment.whole_list import get_whole_list_check
from donorfit.equipment.why import ClashFinder
from donorfit.vehicle.identity import OptionName

DATA = Path(__file__).resolve().parents[2] / "shared" / "data" / "feature-models"
Task = tuple[list[int], list[int], list[OptionName]]
"""Places declared, places asked, names declared."""

LARGE, MIDDLE, DENSE = "automotive02_v4", "automotive01", "finserv01_2018-01-23"
DENSE_TOO = ("2017-05-22", "2017-09-28", "2017-10-20", "2017-11-20", "2017-12-22")
"""Other versions of the rules that cost a search most for their size."""


class Base:
    """One rule base with its clauses and stored instances."""

    def __init__(self, name: str) -> None:
        self.path = DATA / f"{name}.uvl"
        self.text = self.path.read_text(encoding="utf-8")
        self.rules = read_uvl(self.text, file=self.path.name)
        self.compiled: Compiled = compile_rules(self.rules)
        self.whole = get_whole_list_check(self.compiled)
        self.costs = [1 + zlib.crc32(name.encode()) % 10 for name in self.rules.names]
        self.clauses = list(list_all_clauses(self.compiled)[0])

    def list_instances(self, name: str) -> list[Task]:
        """Stored instances: places declared, places asked, names declared."""
        places = self.compiled.places
        stored = json.loads(gzip.decompress((DATA / f"repair_{name}.json.gz").read_bytes()))
        return [
            (
                [places[each] for each in one["declared_on"]],
                [places[each] for each in one["goal_on"]],
                one["declared_on"],
            )
            for one in stored["instances"]
        ]

    def break_lists(self, count: int) -> list[Task]:
        """Possible lists with random phases, one option asked, five lost; seeds 0, 1, 2 ..."""
        found = []
        for seed in range(count):
            rng, warm = random.Random(seed), Warm(self.compiled)
            warm.solver.set_phases([rng.choice((v, -v)) for v in range(1, len(self.rules) + 1)])
            warm.holds([])
            model = warm.solver.get_model()
            on = [o for o in range(len(self.rules)) if model[o] > 0]
            off = [o for o in range(len(self.rules)) if model[o] < 0]
            goal = next(o for o in rng.sample(off, len(off)) if warm.holds([o + 1]))
            lost = set(rng.sample(on, 5))
            declared = [o for o in on if o not in lost]
            found.append((declared, [goal], [self.rules.names[o] for o in declared]))
        return found


def search(base: Base, declared: list[int], goal: list[int], top: int) -> list[int]:
    """Costs of our cheapest repairs."""
    problem = Problem(declared=declared, fixed=dict.fromkeys(goal, True), costs=base.costs)
    found = RepairSearch(base.compiled, problem)
    costs = [s.cost for s, _ in zip(found.list_solutions(), range(top), strict=False)]
    found.close()
    return costs


def search_with_peer(peer: Search, base: Base, task: Task, top: int) -> list[int]:
    """The same by another solver over all rules."""
    declared, goal, _ = task
    on, asked = set(declared), set(goal)
    soft = [
        (o + 1 if o in on else -o - 1, base.costs[o])
        for o in range(len(base.rules))
        if o not in asked
    ]
    return peer(base.clauses, [option + 1 for option in goal], soft, top)


def bench_peers(base: Base, name: str, lists: list[Task], bounds: tuple[Any, Any]) -> list[Line]:
    """First and ten cheapest repairs against every peer; the bound holds for the best one."""
    lines = []
    for top, bound in zip((1, 10), bounds, strict=True):
        what = f"{'first' if top == 1 else 'ten'} on {name}, {len(lists)} lists"
        for task in lists:
            search(base, task[0], task[1], top)
        ours = statistics.median(
            take_turns(3, partial(search, base, task[0], task[1], top))[0] for task in lists
        )
        wanted = [search(base, task[0], task[1], top) for task in lists]
        found = []
        for peer, find in PEERS[: 5 if top == 1 else 4]:  # ten of CP-SAT: minutes a list
            times, answers = [], []
            for task in lists:
                started = read_clock()
                answers.append(search_with_peer(find, base, task, top))
                times.append(1000 * (read_clock() - started))
            said = "costs equal" if answers == wanted else "costs DIFFER"
            found.append((statistics.median(times), peer, said))
        best = min(found)[0]
        lines += [
            Line(
                what=f"{what} / {peer}",
                ours=ours,
                peer=each,
                bound=bound if each == best else None,
                note=f"{said}{', best peer' * (each == best)}",
            )
            for each, peer, said in found
        ]
    return lines


def bench_worst(name: str, sets: list[tuple[Base, list[Task]]]) -> Line:
    """Ten cheapest repairs of the list that does worst against RC2; median of three turns each."""
    found = []
    for base, lists in sets:
        for task in lists:
            ours, peer = take_turns(
                3,
                partial(search, base, task[0], task[1], 10),
                partial(search_with_peer, search_with_rc2, base, task, 10),
            )
            found.append((ours / peer, ours, peer))
    _, ours, peer = max(found)
    slower = sum(each > 1 for each, _, _ in found)
    return Line(
        what=f"ten on {name}, worst of {len(found)} lists / RC2 Glucose 4",
        ours=ours,
        peer=peer,
        bound=1.5,
        note=f"{slower} lists above 1; all: {say_spread(each for _, each, _ in found)}",
    )


def bench_uvlparser(base: Base, python: Path) -> list[Line]:
    """Reading against uvlparser, which builds a tree and nothing more."""
    peer = read_with_uvlparser(python, base.path)
    (ours,) = take_turns(7, lambda: read_uvl(base.text, file="x.uvl"))
    return [Line(what="read v4 / uvlparser 2.5", ours=ours, peer=peer, bound=1 / 300)]


def bench_reading(base: Base) -> list[Line]:
    """Reading against uvllang."""
    ours, peer = take_turns(
        7,
        lambda: read_uvl(base.text, file="x.uvl"),
        lambda: uvllang.UVL(from_file=str(base.path)).features,
    )
    return [Line(what="read v4 / uvllang native", ours=ours, peer=peer, bound=0.5)]


def bench_checks(base: Base) -> list[Line]:
    """Whole-list check, months, first repair against one all-assumed call of Glucose."""
    declared, goal, names = base.list_instances(LARGE)[0]
    on = set(declared)
    values = [o + 1 if o in on else -o - 1 for o in range(len(base.rules))]
    bits = base.whole.make_bits(declared)
    with Glucose4(bootstrap_with=base.clauses) as solver:
        check, assumed, first, months_ms, one = take_turns(
            31,
            lambda: base.whole.find_broken(bits, 0),
            lambda: solver.solve(assumptions=values),
            lambda: search(base, declared, goal, 1),
            lambda: months(base.rules, names, structure=Structure.DECLARED),
            lambda: base.whole.find_broken(
                base.whole.make_bits([base.compiled.places[name] for name in names]), 0
            ),
        )
    return [
        Line(what="whole-list check / all-assumed SAT call", ours=check, peer=assumed, bound=0.5),
        Line(
            what="first repair (one list) / all-assumed SAT call",
            ours=first,
            peer=assumed,
            bound=5,
        ),
        Line(what="months of a list / check of a list", ours=months_ms, peer=one, bound=2),
    ]


def bench_repairs(base: Base, name: str, lists: list[Task], bounds: tuple[Any, Any]) -> list[Line]:
    """First and ten cheapest repairs against RC2."""
    lines = []
    for top, bound in zip((1, 10), bounds, strict=True):
        ours, peer, full = [], [], []
        for declared, goal, names in lists:
            ours.append(measure(partial(search, base, declared, goal, top)))
            task = (declared, goal, names)
            peer.append(measure(partial(search_with_peer, search_with_rc2, base, task, top)))
            asked = tuple(base.rules.names[o] for o in goal)
            request = RepairRequest(declared=tuple(names), on=asked, top=top)
            full.append(measure(partial(repair, base.rules, request)))
        wanted = search(base, lists[0][0], lists[0][1], top) == search_with_peer(
            search_with_rc2, base, lists[0], top
        )
        worst = max(o / p for o, p in zip(ours, peer, strict=True))
        lines.append(
            Line(
                what=f"{'first' if top == 1 else 'ten'} cheapest on {name} / RC2 Glucose 4",
                ours=statistics.median(ours),
                peer=statistics.median(peer),
                bound=bound,
                note=f"{say_spread(ours)}; worst single ratio {worst:.2f}; whole answer with"
                f" reasons {statistics.median(full):.2f} ms;"
                f" costs {'equal' if wanted else 'DIFFER'}",
            )
        )
    return lines


def bench_forced(base: Base, *, slow: bool) -> list[Line]:
    """Core and dead options against BBScan; clicks."""

    def ours() -> list[int] | None:
        return Warm(base.compiled).find_forced([])

    def peer() -> Any:
        with BBScan(CNF(from_clauses=base.clauses), solver="g4", rotate=True) as scan:
            return scan.compute(algorithm="compl", focus_on=list(range(1, len(base.rules) + 1)))

    lines = []
    if slow:
        own, scan = measure(ours), measure(peer)
        lines.append(Line(what="core and dead on v4 / BBScan", ours=own, peer=scan, bound=1 / 15))
    warm = get_warm(base.compiled)
    warm.find_forced([])
    rng = random.Random(1)
    picks = [rng.randrange(len(base.rules)) + 1 for _ in range(60)]
    quick = [measure(partial(warm.follow_known, [pick])) for pick in picks]
    whole = [measure(partial(warm.find_forced, [pick])) for pick in picks]
    missed = sum(
        len(set(warm.find_forced([p]) or ()) - set(warm.follow_known([p]) or ())) > 0
        for p in picks
    )
    note = (
        f"at once {say_spread(quick)}, incomplete for {missed} of {len(picks)};"
        f" complete {say_spread(whole)}"
    )
    lines.append(
        Line(
            what="complete answer to a click on v4 / 100 ms",
            ours=statistics.median(whole),
            peer=100.0,
            bound=1.0,
            note=note,
        )
    )
    return lines


def explain_with_musx(wcnf: WCNF) -> Any:
    """One minimal clash by MUSX."""
    return MUSX(wcnf, solver="g4", verbosity=0).compute()


def explain_with_optux(wcnf: WCNF) -> Any:
    """A smallest clash by OptUx."""
    return OptUx(wcnf, solver="g4").compute()


def bench_explanations(base: Base, name: str) -> list[Line]:
    """One minimal clash, warm, against MUSX and OptUx; the peers minimise the options only."""
    times: dict[str, list[float]] = {"ours": [], "musx": [], "optux": []}
    get_warm(base.compiled).find_forced([])
    for declared, goal, _ in base.list_instances(name)[:8]:
        bits = base.whole.make_bits(declared)
        for option in goal:
            bits[option] = 1
        finder = ClashFinder(base.compiled, bytes(bits), None)
        broken = base.whole.find_broken(bits, 0)
        finder.find_one(broken[0])
        times["ours"].append(measure(partial(finder.find_one, broken[0])))
        wcnf = WCNF()
        wcnf.extend(base.clauses)
        on = {*declared, *goal}
        soft = [[o + 1 if o in on else -o - 1] for o in range(len(base.rules))]
        wcnf.extend(soft, weights=[1] * len(soft))
        times["musx"].append(measure(partial(explain_with_musx, wcnf)))
        times["optux"].append(measure(partial(explain_with_optux, wcnf)))
    ours = statistics.median(times["ours"])
    return [
        Line(
            what=f"one minimal clash on {name} / {peer}",
            ours=ours,
            peer=statistics.median(times[peer.lower()]),
            bound=bound,
        )
        for peer, bound in (("MUSX", 1 / 5), ("OptUx", 1 / 20))
    ]


def bench_cold_start(base: Base, folder: Path) -> list[Line]:
    """A fresh process that answers on v4 against one that only imports python-sat and numpy."""
    declared, goal, names = base.list_instances(LARGE)[1]
    request = folder / "request.json"
    asked = [base.rules.names[o] for o in goal]
    request.write_text(json.dumps({"declared": names, "on": asked}), encoding="utf-8")
    code = "from donorfit.cli.options import options_group as g; g(standalone_mode=False)"
    arguments = [code, "repair", str(base.path), str(request), "--json"]

    def run(*words: str) -> None:
        subprocess.run((sys.executable, "-c", *words), stdout=subprocess.DEVNULL, check=True)

    ours, peer = take_turns(7, lambda: run(*arguments), lambda: run("import numpy, pysat.solvers"))
    del declared
    return [
        # 0.4 s where the imports alone take 0.23 s. We import no numpy for a single question.
        Line(what="fresh process, repair on v4 / imports alone", ours=ours, peer=peer, bound=1.75)
    ]


def main() -> int:
    """Measure, print, and return 1 where a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--slow",
        action="store_true",
        help="add BBScan, clingo, CP-SAT and variants of RC2 (minutes)",
    )
    parser.add_argument(
        "--uvlparser", type=Path, metavar="PYTHON", help="an interpreter that has uvlparser"
    )
    parser.add_argument("--svg", type=Path, help="draw the ratios into this file")
    arguments = parser.parse_args()
    if not DATA.is_dir():
        print("not measured: ../shared/data/feature-models is absent")
        return 0
    large, middle, dense = Base(LARGE), Base(MIDDLE), Base(DENSE)
    too = [Base(f"finserv01_{version}") for version in DENSE_TOO]
    gc.collect()
    gc.freeze()  # so that a search does not pay for a look through the rules of the others
    lines = bench_reading(large) + bench_checks(large)
    if arguments.uvlparser:
        lines += bench_uvlparser(large, arguments.uvlparser)
    lines += bench_repairs(large, "v4", large.list_instances(LARGE), (1 / 15, 1 / 25))
    lines += bench_repairs(middle, "automotive01", middle.list_instances(MIDDLE), (1.5, 1.5))
    lines += bench_repairs(dense, "finserv01", dense.break_lists(12), (1.5, 1.5))
    lines.append(
        bench_worst("six finserv01", [(each, each.break_lists(12)) for each in (*too, dense)])
    )
    stored = [
        (base, base.list_instances(name)) for base, name in ((large, LARGE), (middle, MIDDLE))
    ]
    lines.append(bench_worst("v4 and automotive01", stored))
    if arguments.slow:
        lines += bench_peers(large, "v4", large.list_instances(LARGE)[::6], (1 / 15, 1 / 25))
    lines += bench_forced(large, slow=arguments.slow)
    lines += bench_explanations(large, LARGE) + bench_explanations(middle, MIDDLE)
    with tempfile.TemporaryDirectory() as folder:
        lines += bench_cold_start(large, Path(folder))
    show(lines)
    if arguments.svg:
        arguments.svg.write_text(draw(lines), encoding="utf-8")
    return int(any(line.broken for line in lines))


if __name__ == "__main__":
    sys.exit(main())
