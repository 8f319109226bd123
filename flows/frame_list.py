"""Where each frame of a job is: its stage, its copies, its verdicts with their remarks, its finals. Reads only."""

from __future__ import annotations

from collections.abc import Sequence

from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.identifiers import print_frame
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import Frame, outcome_of
from glassine.schemas.three_two_one import standing_of
from glassine.schemas.validation import Document

PURPOSES = {"picture": "picture", "test": "test", "grey_card": "grey card"}
"""What a frame is for, in words."""


def list_frames(studio: Studio, number: str, frames: Sequence[int] | None) -> Document:
    """All frames of a job, a line each; or some of them, with everything that is known."""
    record = JobRecord(studio.job_folder(number))
    manifest = record.manifest()
    if not frames:
        said = [_line(frame) for frame in manifest.frames] or ["No frame yet."]
        return summary(said, [], job=number, frames=manifest.frames)
    chosen = [manifest.frame(frame) for frame in frames]
    said = [line for frame in chosen for line in _everything(manifest, record.people, frame)]
    return summary(said, [], job=number, frames=chosen)


def _line(frame: Frame) -> str:
    whole = sum(copy["outcome"] == "whole" for copy in frame["copies"])
    words = [frame["number"], frame["stage"], frame["name"], f"{whole} whole copies of {len(frame['copies'])}"]
    words += [_say_set_up(frame)] if frame["set_up"] else []
    words += [PURPOSES[frame["purpose"]]] if frame["purpose"] != "picture" else []
    words += [_say_same(frame)] if frame["same_exposure"] else []
    return "  ".join(words)


def _everything(manifest: Manifest, people: People, frame: Frame) -> list[str]:
    said = [f"{frame['number']}  {frame['stage']}", f"  taken in as {frame['source']}, SHA-256 {frame['sha256']}"]
    if frame["camera"]:
        said.append(
            f"  {frame['camera']}, serial {frame['serial'] or 'unknown'}, counter {frame['counter']}, taken {frame['taken']}"
        )
    if frame["taken"] != frame["captured"]:
        said.append(f"  the camera wrote {frame['captured']}: its clock was off (`glassine clock {manifest.job}`)")
    said += [f"  {_say_same(frame)}"] if frame["same_exposure"] else []
    said += [f"  {PURPOSES[frame['purpose']]}"] if frame["purpose"] != "picture" else []
    said += [f"  set-up {_say_set_up(frame)}"] if frame["set_up"] else []
    said += [f"  original {_say_balance(frame['balance'])}"] if frame["balance"] else []
    for copy in frame["copies"]:
        volume = manifest.document["volumes"][copy["volume"]]["name"]
        said.append(f"  copy on {volume}: {copy['outcome']}, last read back whole {copy['whole_at']}, {copy['path']}")
    said += [
        f"  short of 3-2-1: {missing}" for missing in standing_of(frame["copies"], manifest.document["volumes"]).missing
    ]
    said += [f"  with {companion['name']}" for companion in frame["companions"]]
    said += [f"  does not decode: {frame['undecodable']}"] if frame["undecodable"] else []
    for found in manifest.document["selects_rounds"]:
        for person, mark in found["marks"].get(str(frame["frame"]), {}).items():
            hero = ", hero" if mark["hero"] else ""
            remarks = "; ".join(say_remark(one) for one in mark["remarks"])
            words = f"{mark['verdict']}{hero}{': ' if remarks else ''}{remarks}"
            said.append(f"  round {found['round']!r}, {people.name_of(person)}: {words}")
    said += [f"  draft note {draft['note']}: {draft['instruction']}" for draft in frame["drafts"]]
    for specification, crop in {
        "every delivery": frame["crops"]["general"],
        **frame["crops"]["specifications"],
    }.items():
        said += [f"  crop for {specification}: {say_crop(crop)}"] if crop else []
    for retouch in frame["rounds"]:
        said += _retouch_lines(people, frame, retouch)
    for final in frame["finals"]:
        state = "stale" if final["stale"] else "may leave" if final["signed_off"] else "not signed off"
        donors = [print_frame(number) for number in final["frames"] if number != frame["frame"]]
        pieces = f", with pieces of {', '.join(donors)}" if donors else ""
        said.append(
            f"  final {final['final']!r} of round {final['round']}, look {final['look']}{pieces}: {state}, {final['path']}"
        )
        said += [f"    {_say_balance(final['balance'])}"] if final.get("balance") else []
    said += [f"  in delivery {number}" for number in frame["deliveries"]]
    if frame["block"]:
        said.append(f"  {'blocked' if frame['block']['blocked'] else 'free again'}: {frame['block']['reason']}")
    return said


def _say_set_up(frame: Frame) -> str:
    """The set-up, and which arrangement of it where it was changed."""
    return (
        f"{frame['set_up']}, arrangement {frame['arrangement']}" if frame["arrangement"] > 1 else str(frame["set_up"])
    )


def _say_balance(balance: Document) -> str:
    white = "white balance " + " ".join(f"{each:.3f}" for each in balance["multipliers"] or ()) + ", "
    return f"rendered with {white if balance['multipliers'] else ''}{balance['stops']:+.2f} stops"


def _say_same(frame: Frame) -> str:
    return f"same exposure as {print_frame(frame['same_exposure'])}"


def say_remark(said: Document) -> str:
    """A remark of the cull, and whether it can be mended."""
    return f"{said['remark']} (fixable)" if said["fixable"] else str(said["remark"])


def say_crop(crop: Document) -> str:
    """A crop in words."""
    region = crop["region"]
    place = ",".join(f"{region[name]:g}" for name in ("x", "y", "width", "height"))
    return f"xywh=percent:{place}, straightened by {crop['straighten_degrees']:g}°, turned by {crop['turn_degrees']}°"


def _retouch_lines(people: People, frame: Frame, retouch: Document) -> list[str]:
    handed = retouch["hand_out"]
    who = (
        f"handed out to {people.name_of(handed['retoucher'])}, due {handed['due'] or '-'}"
        if handed
        else "not handed out"
    )
    cause = retouch["brief"]["cause"]
    why = f", because: {cause['why']} ({cause['text']})" if cause else ""
    off = f", called off ({retouch['called_off']['reason']})" if retouch["called_off"] else ""
    said = [f"  retouch round {retouch['round']}: {who}{why}{off}"]
    said += [f"    base file {_say_balance(retouch['brief']['balance'])}"] if retouch["brief"].get("balance") else []
    notes = [note for note in frame["notes"] if note["note"] in retouch["brief"]["notes"]]
    said += [f"    note: {note['instruction']}" for note in notes]
    said += [f"    return {back['name']}: {outcome_of(back)}" for back in retouch["take_backs"]]
    return said
