"""Pulls to be sprayed: written in the job or chosen by a plan, each along a path that the wand can take."""

from dataclasses import dataclass, replace

from bayreach.arrays import FloatArray
from bayreach.bays import Opening
from bayreach.errors import JobError, nearest_hint
from bayreach.insertion import Path, Refusal, Space, paths_through
from bayreach.job import WrittenPass
from bayreach.passes import cut_path
from bayreach.poses import TipPath
from bayreach.run._site import Site
from bayreach.wands import Wand

EVEN = 1e-6
"""Metres by which two depths may differ and count as one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pull:
    """A pass: `count` trigger-on pulls of a wand along a path.

    Parameters
    ----------
    path : TipPath
        Poses of the tip from where the trigger is pulled to where it is let go.
    speed : float
        Pull speed in m/s.
    dwell : float
        Seconds the trigger is held where the path has no length.
    through : tuple of str
        Names of the openings passed, the entry first.
    entry : (3,) float, optional
        Where the wand's axis passes the opening, in m, where that is known.
    """

    wand: Wand
    opening: str
    aim: FloatArray
    clock: float
    path: TipPath
    speed: float
    count: int = 1
    dwell: float = 0.0
    through: tuple[str, ...] = ()
    entry: FloatArray | None = None

    @property
    def seconds(self) -> float:
        """Trigger-on time of one pull in s."""
        return self.path.length / self.speed if self.path.length else self.dwell

    @property
    def wet_seconds(self) -> float:
        """Time in s in which liquid leaves the tip in one pull: the tip answers `wand.lag` late."""
        return max(0.0, self.seconds - self.wand.lag)

    @property
    def volume(self) -> float:
        """Liquid of one pull in m³: the flow grows evenly over `wand.rise` and dies over `wand.fall`."""
        return self.wand.sprayed_in(self.wet_seconds)


def written_pulls(site: Site) -> tuple[tuple[Pull, ...], tuple[Refusal, ...]]:
    """Return the job's passes as pulls, and a refusal for each whose wand cannot go there.

    Raises
    ------
    JobError
        When a pass names an opening that the structure does not have, or one that does not lead outside.
    """
    pulls: list[Pull] = []
    refusals: list[Refusal] = []
    for number, written in enumerate(site.job.passes, start=1):
        opening = _opening_of(site, written, number)
        wand = site.job.wand_named(written.wand)
        path = written_path(
            site.space,
            wand,
            opening,
            aim=written.aim,
            clock=written.clock,
            deepest=written.deepest,
            shallowest=written.shallowest,
            down=site.job.down,
            entry=written.entry,
        )
        if isinstance(path, Refusal):
            refusals.append(path)
            continue
        pulls.append(
            Pull(
                wand=wand,
                opening=opening.name,
                aim=written.aim,
                clock=written.clock,
                path=path.tip_path,
                speed=written.pull_speed or wand.pull_speed,
                count=written.count,
                dwell=written.dwell or 0.0,
                through=path.through,
                entry=path.entry,
            )
        )
    return tuple(pulls), tuple(refusals)


def written_path(
    space: Space,
    wand: Wand,
    opening: Opening,
    *,
    aim: FloatArray,
    clock: float,
    deepest: float,
    shallowest: float,
    down: FloatArray,
    entry: FloatArray | None = None,
) -> Path | Refusal:
    """Return the path of a pass from `deepest` to `shallowest` (m), or why the wand does not get there.

    `entry` (3,) m is where its axis passes the opening; None: where it fits.
    """
    paths, refusals = paths_through(
        space,
        wand,
        opening,
        aims=aim[None],
        entries=None if entry is None else entry[None],
        clocks=(clock,),
        shortest=0.0,  # the whole way: its end may be where the tip is held still, and what is short is told
        down=down,
    )
    if not paths:
        return refusals[0]
    # A flexible wand is led all over: take a way that is deep enough and sets out most nearly along the aim.
    path = min(paths, key=lambda way: (way.deepest < deepest, -float(way.aim @ aim)))
    if path.deepest < deepest:
        return Refusal(
            wand=wand.name,
            opening=opening.name,
            reason=f"{path.limit}, {1e3 * (deepest - path.deepest):.0f} mm short of what is asked",
            short_by=deepest - path.deepest,
            place=path.tip_path.points[0] if path.stop is None else path.stop,
        )
    least = float(path.tip_path.depths[-1])
    if shallowest < least - EVEN:
        return Refusal(
            wand=wand.name,
            opening=opening.name,
            reason=f"it is drawn straight back to {1e3 * least:.0f} mm only, and must be turned there: "
            f"end the pull at that depth",
            short_by=least - shallowest,
            place=path.tip_path.points[-1],
        )
    trimmed = cut_path(path.tip_path, deepest, shallowest)
    return replace(path, tip_path=trimmed, deepest=deepest, shallowest=shallowest)


def _opening_of(site: Site, written: WrittenPass, number: int) -> Opening:
    found = {opening.name: opening for opening in site.bays.openings}
    place = f"{site.job.path.name}, pass {number}"
    if written.opening not in found:
        hint = nearest_hint(written.opening, found)
        message = f'{place}: no opening is called "{written.opening}"; `bayreach measure` lists them.{hint}'
        raise JobError(message)
    opening = found[written.opening]
    if -1 not in opening.links:
        message = (
            f'{place}: opening "{written.opening}" lies between two bays; name the opening that the wand '
            f"enters the structure through, and aim it through this one."
        )
        raise JobError(message)
    return opening
