"""What-if of a wand: with other figures, with the least change that gets it in, and its way step by step."""

from collections.abc import Sequence

from bayreach import reach as reaching
from bayreach.arrays import OUTSIDE
from bayreach.errors import JobError, nearest_hint
from bayreach.insertion import replay
from bayreach.job import Job
from bayreach.outcome import ReplayRecord, quiet
from bayreach.run._site import Site, site_of
from bayreach.run._wetting import Progress
from bayreach.wands import Wand


def vary_reach(
    job: Job, wand: str, vary: Sequence[str], progress: Progress = quiet
) -> tuple[reaching.Case, ...]:
    """Return what the wand called `wand` reaches at each value of one or two figures.

    Each of `vary` is a range like "length=0.6m:2.4m:0.2m".

    Raises
    ------
    JobError
        When the job has no such wand.
    WandError
        When a range or its figure makes no sense.
    """
    figures = dict(reaching.read_vary(text) for text in vary)
    chosen = _wand_of(job, wand)
    progress("finding bays", 0.0)
    site = site_of(job)
    progress("trying the wand", 0.2)
    openings = [opening for opening in site.bays.openings if OUTSIDE in opening.links]
    return reaching.sweep(_ground(site), chosen, openings, figures)


def changes_into(
    job: Job, bay: str, progress: Progress = quiet, *, wand: str | None = None
) -> tuple[str, ...]:
    """Return the changes, each alone, that would let each wand (or the one named) into `bay`, by opening.

    Raises
    ------
    JobError
        When the structure has no such bay.
    """
    progress("finding bays", 0.0)
    site = site_of(job)
    names = [each.name for each in site.bays.bays]
    if bay not in names:
        message = f'"{bay}" is no bay of {job.mesh_path.name}.{nearest_hint(bay, names)}'
        raise JobError(message)
    openings = [opening for opening in site.bays.openings if OUTSIDE in opening.links]
    ground = _ground(site)
    said = []
    wands = job.wands if wand is None else (_wand_of(job, wand),)
    pairs = [(each, opening) for each in wands for opening in openings]
    for done, (each, opening) in enumerate(pairs):
        progress(f"changing {each.name}", done / len(pairs))
        found = reaching.smallest_changes(ground, each, opening, bay)
        if found:
            changes = "; or ".join(change.sentence() for change in found)
            said.append(f"{each.name} through {opening.name}: {changes}")
        bend = reaching.proposed_bend(ground, each, opening, bay) if found else None
        said += [] if bend is None else [f"{each.name} through {opening.name}: {bend.sentence()}"]
    return tuple(said)


def replays(job: Job, progress: Progress = quiet, *, wand: str | None = None) -> tuple[ReplayRecord, ...]:
    """Return the deepest way in of each wand through each opening, step by step."""
    progress("finding bays", 0.0)
    site = site_of(job)
    openings = {opening.name: opening for opening in site.bays.openings}
    ways = []
    wands = job.wands if wand is None else (_wand_of(job, wand),)
    for row in reaching.reach(_ground(site), wands, progress=progress):
        if row.paths:
            deepest = max(row.paths, key=lambda path: path.deepest)
            steps = replay(deepest, openings[row.opening], space=site.space).table()
            ways.append(ReplayRecord(wand=row.wand, opening=row.opening, **steps))
    return tuple(ways)


def _ground(site: Site) -> reaching.Ground:
    return reaching.ground_of(site.space, site.scene, down=site.job.down)


def _wand_of(job: Job, name: str) -> Wand:
    names = [wand.name for wand in job.wands]
    if name not in names:
        listed = ", ".join(f'"{each}"' for each in names) or "none"
        message = f'{job.path.name}: there is no wand "{name}"; it has {listed}.{nearest_hint(name, names)}'
        raise JobError(message)
    return job.wand_named(name)
