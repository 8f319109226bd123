"""Bad copies that lie together on one disk, which say more of the disk than of the copies.

Corruption is not independent: blocks that do not match their checksums come together, in place and in time, on few
disks (Bairavasundaram et al., An Analysis of Data Corruption in the Storage Stack, FAST 2008).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple


class BadCopy(NamedTuple):
    """A copy whose bytes differ or cannot be read: the id of its volume, that volume's medium, its path in the job
    folder, and the frame that it is of or came in with, if any. (A missing one may as well have been deleted.)"""

    volume: str
    medium: str
    path: str
    frame: int | None


@dataclass(frozen=True)
class Cluster:
    """At least two bad copies on one medium.

    `folders`: those that hold two or more of them, with the volume each is on. `runs`: first and last of the frames
    among them that follow each other without a gap, two or more; they were taken in, and so written, one after another.
    """

    medium: str
    copies: tuple[BadCopy, ...]
    folders: tuple[tuple[str, str], ...]
    runs: tuple[tuple[int, int], ...]


def find_clusters(bad: Iterable[BadCopy]) -> list[Cluster]:
    """A cluster for each medium with two bad copies or more, the one with the most first; `bad` in any order.

    Examples
    --------
    >>> rotten = [BadCopy("v-1", "disk 1", f"originals/100/{n}.DNG", n) for n in (4, 5, 9)]
    >>> (found,) = find_clusters([*rotten, BadCopy("v-2", "disk 2", "originals/100/1.DNG", 1)])
    >>> found.folders, found.runs
    ((('v-1', 'originals/100'),), ((4, 5),))
    """
    on_medium: dict[str, set[BadCopy]] = {}
    for copy in bad:
        on_medium.setdefault(copy.medium, set()).add(copy)
    clusters = [_cluster(medium, copies) for medium, copies in on_medium.items() if len(copies) > 1]
    return sorted(clusters, key=lambda cluster: (-len(cluster.copies), cluster.medium))


def _cluster(medium: str, bad: set[BadCopy]) -> Cluster:
    copies = tuple(sorted(bad, key=lambda copy: (copy.volume, copy.path)))
    folders = Counter((copy.volume, copy.path.rpartition("/")[0]) for copy in copies)
    runs = tuple(run for volume in sorted({copy.volume for copy in copies}) for run in _runs(copies, volume))
    together = tuple(folder for folder, count in sorted(folders.items()) if count > 1)
    return Cluster(medium, copies, together, tuple(sorted(set(runs))))


def _runs(copies: Iterable[BadCopy], volume: str) -> list[tuple[int, int]]:
    frames = sorted({copy.frame for copy in copies if copy.volume == volume and copy.frame is not None})
    runs = [[frame] for frame in frames[:1]]
    for before, frame in pairwise(frames):
        if frame == before + 1:
            runs[-1].append(frame)
        else:
            runs.append([frame])
    return [(run[0], run[-1]) for run in runs if len(run) > 1]
