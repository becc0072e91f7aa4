"""Rod placements a second against python-fcl on the same rods; a flexible route through three holes.

Run: python tests/benchmarks/bench_insertion.py
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from collisions import Collider
from punched import ribbed_box

from bayreach.bays import find_bays
from bayreach.insertion import paths_through, rods_blocked, space_of, straight_reach
from bayreach.repair import mend, subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand

TIP = Tip(pattern="forward", spread=0.7, flow=3e-6)
RODS, PEER_RODS = 100_000, 5_000


def clocked(ask, times=3):
    ask()
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        answer = ask()
        best = min(best, time.perf_counter() - start)
    return best, answer


def main() -> None:
    mesh, _ = mend(ribbed_box(drop=[0.03, -0.03, 0.03])[0])
    bays = find_bays(subdivided(mesh, 0.0085).mesh)
    space = space_of(bays.mesh, bays)
    print(f"{bays.mesh.n_faces} faces")
    rng = np.random.default_rng(3)
    low, high = bays.mesh.box
    starts = low + rng.random((RODS, 3)) * (high - low)
    directions = rng.normal(size=(RODS, 3))
    ends = starts + 0.15 * directions / np.linalg.norm(directions, axis=1, keepdims=True)
    ours, blocked = clocked(lambda: rods_blocked(space, starts, ends, 0.003) >= 0)
    collider = Collider(bays.mesh)
    peer, theirs = clocked(
        lambda: [collider.is_hit(starts[k], ends[k], 0.003) for k in range(PEER_RODS)], times=1
    )
    rate, peer_rate = RODS / ours, PEER_RODS / peer
    print(f"rods a second: {rate:,.0f}; python-fcl {peer_rate:,.0f}; {rate / peer_rate:.0f} times")
    print(f"verdicts that differ: {(blocked[:PEER_RODS] != np.array(theirs)).sum()} of {PEER_RODS}")

    port = space.bays.openings[0]
    rod = Wand(name="rod", shape="straight", length=0.8, diameter=0.006, tip=TIP)
    aims = np.array([1.0, 0, 0]) + 0.5 * rng.normal(size=(RODS, 3))
    took, _ = clocked(lambda: straight_reach(space, rod, port, aims))
    print(f"exact greatest depths a second (tip and body): {RODS / took:,.0f}")

    hose = Wand(name="hose", shape="flexible", length=1.2, diameter=0.006, bend_radius=0.06, tip=TIP)
    from bayreach.insertion._chains import chains_to
    from bayreach.insertion._flexible import bender_of, routes_along

    bender = bender_of(space, hose, port)
    chain = next(iter(chains_to(space, port, 3, hose.diameter)))
    took, route = clocked(lambda: routes_along(bender, chain))
    print(f"flexible route through {len(chain) - 1} holes, {1e3 * route.length:.0f} mm: {1e3 * took:.1f} ms")
    took, (paths, _) = clocked(lambda: paths_through(space, hose, port), times=1)
    print(f"{len(paths)} flexible paths all over four bays: {took:.2f} s")


if __name__ == "__main__":
    main()
