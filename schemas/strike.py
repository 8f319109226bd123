"""What speaks against striking the studio, as far as the record knows: a function of the manifest and of the volumes.

Two lists. `reasons` forbid it: what may be lost, or could still be taken again today. `look_at` is what only a person can
judge, and forbids nothing by itself: a gap in the counters may be a card that nobody has missed, or a frame deleted in the
camera, and the record cannot tell the one from the other.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from glassine.schemas.due import bad_copies, owed_copies, unidentified
from glassine.schemas.exposure import counter_gaps
from glassine.schemas.identifiers import VOLUME_IDENTITY, counted, print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked
from glassine.schemas.three_two_one import count_short, standing_of
from glassine.schemas.validation import Document

FROM_THE_CAMERA = ("companion", "stray")
"""Roles of the files that, beside the originals, only the cards hold: they cannot be made again."""

GAPS_SAID = 8
"""Gaps of one body that are said one by one; `bodies` has them all (own choice)."""


class Place(NamedTuple):
    """A volume of the studio: what its settings, its identity file and the record say of it."""

    volume: str | None
    """Its id; None where it is away, and neither the settings nor the record know it."""
    name: str
    medium: str | None
    site: str | None
    is_here: bool
    is_portable: bool = True
    """Whether it is a disk that somebody can carry, and no server."""
    entry: int | None = None
    """Up to which entry it has the record; null where nobody looked."""


def strike_report(manifest: Manifest, places: Sequence[Place]) -> Document:
    """Everything that one wants to know before going home, and whether the studio may be struck.

    Parameters
    ----------
    places : the studio's volumes, the working volume first

    Returns
    -------
    `may_be_struck`; `reasons` and `look_at`, each a list of `what` and `do`; `cards`, `bodies` (`bodies_of`),
    `without_body` (frames of which no serial is known), `same_exposures` (pairs of frame numbers), `without_second_medium`
    (`frames`, `strays`), `three_two_one` (`files` that fall short, and `missing`, counted), `owed` (for each volume
    `volume`, `is_here`, `copies`, `bytes`), `bad_copies`, `strays`, `undecodable`, `without_set_up`, `off_site`.
    It may be struck exactly if there is no reason against it.
    """
    numbers = [
        frame["number"] for frame in manifest.frames if frame["set_up"] is None and frame["purpose"] == "picture"
    ]
    report: Document = {
        "cards": [{"card": name, **said} for name, said in sorted(manifest.document["cards"].items())],
        "bodies": bodies_of(manifest),
        "without_body": [frame["number"] for frame in manifest.frames if frame["serial"] is None],
        "same_exposures": [
            [frame["number"], print_frame(frame["same_exposure"])]
            for frame in manifest.frames
            if frame["same_exposure"]
        ],
        "without_second_medium": _on_one_medium(manifest, places),
        "three_two_one": count_short(manifest),
        "owed": _owed(manifest, places),
        "bad_copies": [
            {"file": holder["path"], "volume": _name_of(copy["volume"], manifest, places), "outcome": copy["outcome"]}
            for _, holder, copy in bad_copies(manifest)
        ],
        "strays": [stray["name"] for stray in manifest.document["strays"]],
        "undecodable": [frame["number"] for frame in manifest.frames if _is_undecodable(frame)],
        "without_set_up": numbers,
        "off_site": _off_site(manifest, places),
    }
    reasons = [{"what": what, "do": do} for what, do in _reasons(manifest, report, places)]
    look_at = [{"what": what, "do": do} for what, do in _to_look_at(manifest, report, places)]
    return {"may_be_struck": not reasons, "reasons": reasons, "look_at": look_at, **report}


def bodies_of(manifest: Manifest) -> list[Document]:
    """Each camera body of the job, by serial.

    `serial`, `camera`, `frames` (how many), `first` and `last` (counters of its earliest and latest exposure by its own
    clock; null where unknown), `gaps` (`first`, `last`, both missing, between `after_frame` and `before_frame`), and of its
    clock `offset_s` (seconds to add; null where nobody said it) and `how`.
    """
    bodies: dict[str, list[Frame]] = {}
    for frame in manifest.frames:
        if frame["serial"] is not None:
            bodies.setdefault(frame["serial"], []).append(frame)
    gaps = counter_gaps(manifest.frames)
    found = []
    for serial, frames in sorted(bodies.items()):
        in_order = sorted(
            (frame for frame in frames if frame["counter"]), key=lambda frame: (frame["captured"] or "", frame["frame"])
        )
        clock = manifest.document["clocks"].get(serial)
        found.append(
            {
                "serial": serial,
                "camera": next((frame["camera"] for frame in frames if frame["camera"]), None),
                "frames": len(frames),
                "first": in_order[0]["counter"] if in_order else None,
                "last": in_order[-1]["counter"] if in_order else None,
                "gaps": [
                    {
                        "first": gap.first,
                        "last": gap.last,
                        "after_frame": print_frame(gap.after_frame),
                        "before_frame": print_frame(gap.before_frame),
                    }
                    for gap in gaps
                    if gap.serial == serial
                ],
                "offset_s": clock["offset_s"] if clock else None,
                "how": clock["how"] if clock else None,
            }
        )
    return found


def is_outstanding(card: Document) -> bool:
    """Whether a card of the manifest is still out, or back but not taken in."""
    return bool(card["state"] != "taken_in")


def say_numbers(numbers: Iterable[str]) -> str:
    """Printed frame numbers, in order, as a person writes them: runs of three or more as a range.

    >>> say_numbers(["0001", "0002", "0003", "0007", "0008"])
    '0001-0003, 0007, 0008'
    """
    runs = groupby(enumerate(numbers), key=lambda found: int(found[1]) - found[0])
    said = []
    for _, found in runs:
        run = [number for _, number in found]
        said += [f"{run[0]}-{run[-1]}"] if len(run) > 2 else run
    return ", ".join(said)


def say_range(first: int, last: int) -> str:
    """Counters of a camera, as its files bear them: "0042", or "0042 to 0045"."""
    return f"{first:04d}" if first == last else f"{first:04d} to {last:04d}"


def say_size(size: int) -> str:
    """Bytes as a person reads them: in decimal megabytes."""
    return f"{size / 1e6:.1f} MB"


def _reasons(manifest: Manifest, report: Document, places: Sequence[Place]) -> Iterator[tuple[str, str]]:
    job = manifest.job
    if not manifest.frames:
        yield "Nothing has been taken in", f"`glassine ingest {job} CARD`"
    for card in filter(is_outstanding, report["cards"]):
        name = card["card"]
        take_in = f"`glassine ingest {job} SOURCE --card {name}`"
        if card["state"] == "issued":
            to = f", issued to {card['camera']}," if card["camera"] else ""
            yield f"Card {name}{to} has not come back", f"`glassine cards return {job} {name}`, then {take_in}"
        else:
            yield f"Card {name} came back, and was not taken in", take_in
    if new := unidentified(manifest):
        numbers = say_numbers(frame["number"] for frame in new)
        yield f"Nobody has looked yet whether {numbers} can be decoded", f"`glassine advance {job}`"
    if lost := [frame["number"] for frame in manifest.frames if _is_missed(manifest, frame)]:
        again = "take the picture again while the sitter is there, or say why nobody needs it"
        yield (
            f"The picture of {say_numbers(lost)} does not decode",
            f"{again}: `glassine job block {job} {lost[0]} --reason 'taken again'`",
        )
    for owed in (owed for owed in report["owed"] if owed["is_here"]):
        yield f"{_say_owed(owed)}, which is here", f"`glassine advance {job}`"
    for place in places:
        if place.is_here and place.entry is not None and place.entry < manifest.head.entry:
            what = f"Volume {place.name} has the record up to entry {place.entry} of {manifest.head.entry}"
            yield what, f"`glassine advance {job}`"
    if bad := report["bad_copies"]:
        names = ", ".join(sorted({found["volume"] for found in bad}))
        yield (
            f"{counted(len(bad), 'copy', 'copies')} missing or different, on {names}",
            f"`glassine verify {job} --repair`; format no card until then",
        )
    single = report["without_second_medium"]
    if single["frames"] or single["strays"]:
        words = [say_numbers(single["frames"])] if single["frames"] else []
        yield f"{', '.join(words + single['strays'])}: on no second medium", _second_medium(job, places)


def _to_look_at(manifest: Manifest, report: Document, places: Sequence[Place]) -> Iterator[tuple[str, str]]:
    job = manifest.job
    for body in report["bodies"]:
        if body["gaps"]:
            yield (
                f"Body {body['serial']} counted what no frame has: {_say_gaps(body['gaps'])}",
                "deleted in the camera, taken for another job, or on a card that is not here",
            )
    if len(report["bodies"]) > 1:
        for body in report["bodies"]:
            if body["offset_s"] is None:
                do = f"`glassine clock {job} {shlex.quote(body['serial'])} --frame NUMBER --shows TIME`, or `--add SECONDS`"
                yield f"Nobody has said what the clock of body {body['serial']} is off", do
    for owed in (owed for owed in report["owed"] if not owed["is_here"]):
        yield f"{_say_owed(owed)}, which is away", f"connect it, and `glassine advance {job}`"
    short = report["three_two_one"]
    if short["files"]:
        words = "; ".join(f"{what}: {count}" for what, count in short["missing"].items())
        yield (
            f"{counted(short['files'], 'file')} short of three copies, two media, one off site ({words})",
            ("see which volume is missing"),
        )
    if spoilt := [
        frame["number"] for frame in manifest.frames if _is_undecodable(frame) and not _is_missed(manifest, frame)
    ]:
        yield f"The picture of {say_numbers(spoilt)} does not decode", "it is blocked, a test, or there a second time"
    if report["strays"]:
        yield f"No picture, but kept: {', '.join(report['strays'])}", "see what they are"
    if report["without_set_up"]:
        do = f"`glassine job set-up {job} NAME {report['without_set_up'][0]}`"
        yield f"Of no set-up: {say_numbers(report['without_set_up'])}", do
    if not report["off_site"]:
        yield "No volume is off site, and nobody is said to carry one", f"`glassine wrap {job} --carries VOLUME=NAME`"
    for volume in report["off_site"]:
        if volume["site"] == places[0].site:
            what = f"Volume {volume['volume']} is carried off, and is said to be at site {volume['site']}, as the working volume"
            yield what, f"write where it will be into `site` of its {VOLUME_IDENTITY}, for the copy rule to count it"
        if volume["is_portable"] and volume["person"] is None:
            do = f"`glassine wrap {job} --carries '{volume['volume']}=NAME'`"
            yield f"Nobody is said to carry volume {volume['volume']} off site", do


def _is_undecodable(frame: Frame) -> bool:
    return frame["undecodable"] is not None or frame["unshowable"] is not None


def _is_missed(manifest: Manifest, frame: Frame) -> bool:
    """Whether a picture that does not decode is wanted: not blocked, no test, and of no exposure that is there twice."""
    if not _is_undecodable(frame) or is_blocked(frame) or frame["purpose"] != "picture":
        return False
    return not any(
        not _is_undecodable(other)
        for other in manifest.frames
        if other["same_exposure"] == frame["frame"] or frame["same_exposure"] == other["frame"]
    )


def _on_one_medium(manifest: Manifest, places: Sequence[Place]) -> Document:
    """Frames that lie on fewer than two media, themselves or a file that came with them; and such strays."""
    volumes = manifest.document["volumes"] | {
        place.volume: {"name": place.name, "medium": place.medium, "site": place.site}
        for place in places
        if place.volume and place.is_here
    }
    single = {
        sha256
        for sha256, holder in manifest.every_file()
        if holder.get("role", "original") in ("original", *FROM_THE_CAMERA)
        and len(standing_of(holder["copies"], volumes).media) < 2
    }
    frames = [
        frame["number"]
        for frame in manifest.frames
        if frame["sha256"] in single or any(companion["sha256"] in single for companion in frame["companions"])
    ]
    strays = [stray["name"] for stray in manifest.document["strays"] if stray["sha256"] in single]
    return {"frames": frames, "strays": strays}


def _owed(manifest: Manifest, places: Sequence[Place]) -> list[Document]:
    found = []
    for place in places:
        owed = [file.size for file in owed_copies(manifest, [place.volume or ""])]
        if owed:
            said = {"volume": place.name, "is_here": place.is_here}
            found.append({**said, "copies": len(owed), "bytes": sum(owed)})
    return found


def _off_site(manifest: Manifest, places: Sequence[Place]) -> list[Document]:
    """Volumes at another site than the working volume, and those that somebody carries off."""
    found = []
    for place in places:
        carrier = manifest.document["carriers"].get(place.volume)
        person = carrier["person"] if carrier else None
        away = None not in (place.site, places[0].site) and place.site != places[0].site
        if away or person:
            said = {"volume": place.name, "site": place.site, "is_here": place.is_here}
            found.append({**said, "is_portable": place.is_portable, "person": person})
    return found


def _second_medium(job: str, places: Sequence[Place]) -> str:
    away = [place.name for place in places if not place.is_here]
    if away:
        return f"connect volume {', '.join(away)}, and `glassine advance {job}`"
    if len({place.medium for place in places}) < 2:
        return f"`glassine studio add-volume NAME=PATH` on another disk, then `glassine advance {job}`"
    return f"`glassine advance {job}`"


def _name_of(volume: str, manifest: Manifest, places: Sequence[Place]) -> str:
    names = {place.volume: place.name for place in places}
    return names.get(volume) or str(manifest.document["volumes"].get(volume, {}).get("name", volume))


def _say_gaps(gaps: Sequence[Document]) -> str:
    said = [
        f"{say_range(gap['first'], gap['last'])} (between {gap['after_frame']} and {gap['before_frame']})"
        for gap in gaps[:GAPS_SAID]
    ]
    more = len(gaps) - len(said)
    return ", ".join(said) + (f", and {counted(more, 'more gap')}" if more else "")


def _say_owed(owed: Document) -> str:
    verb = "is" if owed["copies"] == 1 else "are"
    return f"{counted(owed['copies'], 'copy', 'copies')} ({say_size(owed['bytes'])}) {verb} owed to volume {owed['volume']}"
