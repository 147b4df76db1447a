"""Time of one search for a separate pair, beside the same question as an integer programme.

Run by hand from the top of the repository:

    PYTHONPATH=src python tests/benchmarks/bench_reroute.py

Prints per kind of net: searches, median and greatest processor time (the median on the
clock in brackets), outcomes, and for the smaller nets the median of HiGHS on the same
questions and the ratio of the medians. Exits with 1 where a median of processor time is
over its limit: 0.2 s at 1,000 nodes, 1 s at 5,000. Processor time, because the clock
tells of what else the machine does.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from reroute_nets import by_integer_programme, geographic_net
from waysapart.reroute.search.disjoint_paths import best_pair
from waysapart.reroute.search.least_shared import least_shared

MILP_LIMIT_S = 30.0
SHARING_LIMIT_S = 20.0
# nodes, rivers, searches, of these also as integer programmes, limit on the median in s
KINDS = (
    (50, 0, 20, 5, None),
    (200, 0, 20, 3, None),
    (200, 4, 20, 3, None),
    (1000, 0, 15, 2, 0.2),
    (1000, 4, 15, 1, 0.2),
    (5000, 0, 7, 0, 1.0),
    (5000, 4, 7, 0, 1.0),
)


def main() -> int:
    """Run all kinds; returns the exit status."""
    late = False
    for nodes, rivers, searches, programmes, limit in KINDS:
        took, clock, beside, outcomes = [], [], [], Counter()
        for seed in range(searches):
            net = geographic_net(nodes, seed, rivers)
            began, on_clock = time.process_time(), time.perf_counter()
            answer = best_pair(net.graph, net.question)
            took.append(time.process_time() - began)
            clock.append(time.perf_counter() - on_clock)
            outcomes[answer.status] += 1
            if seed < programmes:
                began = time.process_time()
                status, cost = by_integer_programme(net.graph, net.question, MILP_LIMIT_S)
                seconds = time.process_time() - began
                beside.append((took[-1], seconds, status == "undecided"))
                if status != "undecided" and (status, cost) != (answer.status, answer.cost):
                    print(f"  seed {seed}: HiGHS says {status} {cost}, here {answer.status}")
                    late = True
        print(
            f"{nodes} nodes, {rivers} rivers: {searches} searches, median {median(took):.3f} s "
            f"({median(clock):.3f} s on the clock), "
            f"greatest {max(took):.3f} s, {dict(outcomes)}"
        )
        if beside:
            own, theirs = median(b[0] for b in beside), median(b[1] for b in beside)
            out_of_time = sum(b[2] for b in beside)
            print(
                f"  HiGHS on {len(beside)} of them: median {theirs:.2f} s "
                f"({out_of_time} out of time at {MILP_LIMIT_S:g} s), ratio {theirs / own:.0f}"
            )
        if limit is not None and median(took) > limit:
            print(f"  over the limit of {limit} s")
            late = True
    sharing()
    return int(late)


def sharing() -> None:
    """Time of the least sharing where there is no pair, every risk weighing 1."""
    for nodes, rivers, searches in ((200, 4, 12), (1000, 4, 8)):
        took, outcomes = [], Counter()
        for seed in range(searches):
            net = geographic_net(nodes, seed, rivers)
            if best_pair(net.graph, net.question).status != "none":
                continue
            weight = [1] * net.graph.n_risks
            began = time.process_time()
            found = least_shared(net.graph, net.question, weight, time_limit_s=SHARING_LIMIT_S)
            took.append(time.process_time() - began)
            outcomes[found.status] += 1
        print(
            f"least sharing, {nodes} nodes, {rivers} rivers: {len(took)} searches, "
            f"median {median(took):.2f} s, greatest {max(took):.2f} s, {dict(outcomes)}"
        )


if __name__ == "__main__":
    sys.exit(main())
