"""Deliver: the gate, the bag, the rights in the files, the receipt; a second reader checks each."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bagit
import pyexiv2
import pytest
from PIL import Image

from glassine.flows import deliver as deliver_module
from glassine.flows.job_sheet import set_block
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DeliveryRefusedError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document, read_document
from glassine.tasks.delivery.bag import validate_bag

Contents = Callable[[Path], dict[str, str]]
Run = Callable[..., Document]
JOB, MANAGER, PHOTOGRAPHER, CLIENT, SITTER = (
    "2611-04",
    "Tove Abel",
    "Imre Falk",
    "Sorrel Lane Instruments",
    "Ada Quill",
)
LICENCE = {"client": CLIENT, "terms": "Yearbook, two years."}


def refuse(run: Run, studio: Studio, contents: Contents, **words: Any) -> list[str]:
    """Deliver, see it refused with nothing packed and nothing written, and return the causes."""
    OpenJob(studio, JOB, MANAGER)  # takes a changed job sheet into the record, which is not the delivery's doing
    before = contents(studio.folder.parent)
    with pytest.raises(DeliveryRefusedError) as refused:
        run("deliver", studio, **{"client": CLIENT, **words})
    assert refused.value.code == "L001"
    assert refused.value.exit_status == 1
    assert refused.value.details[0] in refused.value.sentence
    assert contents(studio.folder.parent) == before
    return refused.value.details


def test_bags_are_valid_to_another_validator_and_to_ours(at: Callable[[str], Studio]) -> None:
    studio = at("delivered")
    bags = sorted(path for path in (studio.folder / "clients").glob("*/*") if path.is_dir())
    assert [bag.name for bag in bags] == [f"{JOB}-0001", f"{JOB}-0002"]
    for bag in bags:
        assert validate_bag(bag) == []
        # bagit-python; not fast=True, which looks at the Payload-Oxum only (CHECKS.md T2)
        assert bagit.Bag(str(bag)).validate()
        assert (bag / "bagit.txt").read_text("utf-8").startswith("BagIt-Version: 1.0\n")  # RFC 8493, 2.1.1
    assert sorted(path.name for path in (bags[0] / "data").iterdir()) == [
        "2611-04_0001_print.tif",
        "2611-04_0003_print.tif",
    ]


def test_delivered_files_carry_the_rights_and_the_profile(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("delivered")
    for delivery in manifest_of(studio).document["deliveries"]:
        for file in delivery["files"]:
            path = studio.job_folder(JOB) / delivery["folder"] / "data" / file["name"]
            assert hashlib.sha256(path.read_bytes()).hexdigest() == file["sha256"]
            with Image.open(path) as picture:
                assert picture.size == (file["width"], file["height"])
                assert max(picture.size) == 160
                assert picture.info["icc_profile"]
            image = pyexiv2.Image(str(path))
            try:
                xmp, exif = image.read_xmp(), image.read_exif()
            finally:
                image.close()
            # IPTC Photo Metadata Standard 2024.1: the properties of creator, rights, credit, usage terms, job
            assert xmp["Xmp.dc.creator"] == [PHOTOGRAPHER]
            assert "© 2026 Imre Falk" in str(xmp["Xmp.dc.rights"])
            assert xmp["Xmp.photoshop.Credit"] == "Imre Falk / Test Studio"
            assert "Yearbook, two years." in str(xmp["Xmp.xmpRights.UsageTerms"])
            assert xmp["Xmp.photoshop.TransmissionReference"].startswith(JOB)
            assert exif["Exif.Image.Artist"] == PHOTOGRAPHER


def test_receipt_is_valid_and_its_head_is_in_the_chain(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("delivered")
    folder = studio.job_folder(JOB)
    for delivery in manifest_of(studio).document["deliveries"]:
        handed = delivery["handed_over"]
        receipt = read_document(folder / handed["receipt"]["path"], "receipt")
        entry = folder / "record" / f"{receipt['record']['entry']:08d}.json"
        assert hashlib.sha256(entry.read_bytes()).hexdigest() == receipt["record"]["sha256"]
        assert receipt["client"] == CLIENT
        packed = {file["name"]: file["sha256"] for file in delivery["files"]}
        assert {file["name"]: file["sha256"] for file in receipt["files"]} == packed
        assert (folder / handed["receipt_pdf"]["path"]).read_bytes().startswith(b"%PDF-")
        place = next((studio.folder / "clients").glob(f"*/{JOB}-{delivery['delivery']:04d}"))
        for part in ("receipt", "receipt_pdf"):
            kept = (folder / handed[part]["path"]).read_bytes()
            assert hashlib.sha256(kept).hexdigest() == handed[part]["sha256"]
            suffix = Path(handed[part]["path"]).suffix
            assert place.with_name(f"{place.name}-receipt{suffix}").read_bytes() == kept


def test_unsigned_finals_do_not_leave(at: Callable[[str], Studio], run: Run, contents: Contents) -> None:
    studio = at("graded")
    run("grade.sign_off", studio, frames=[1], final="print", by=PHOTOGRAPHER)
    causes = refuse(run, studio, contents)
    assert causes == [
        "final 'print' of frame 0003 is not signed off.",
        "final 'colour' of frame 0001 is not signed off.",
        "final 'colour' of frame 0003 is not signed off.",
    ]


def test_final_is_stale_after_a_newer_round(
    at: Callable[[str], Studio],
    run: Run,
    contents: Contents,
    manifest_of: Callable[..., Manifest],
    retouched: Callable[..., Path],
) -> None:
    studio = at("signed")
    run("retouch.brief", studio, frame=1, notes=["xywh=percent:25,25,30,30 | less, please"])
    run("retouch.hand_out", studio, frames=[1], retoucher="Noa Lind")
    base = studio.job_folder(JOB) / manifest_of(studio).frame(1)["rounds"][1]["brief"]["base"]["path"]
    returned = retouched(base, studio.folder.parent / "returns" / "second.tif", 0.15)
    run("retouch_return.take_back", studio, frame=1, file=str(returned))
    causes = refuse(run, studio, contents)
    assert causes == [
        "final 'print' of frame 0001 is stale: run `glassine advance`.",
        "final 'colour' of frame 0001 is stale: run `glassine advance`.",
    ]


def test_final_is_stale_after_its_look_changed(
    at: Callable[[str], Studio], run: Run, contents: Contents, write: Callable[..., Path]
) -> None:
    studio = at("signed")
    path = studio.folder / "looks" / "lifted-mono.json"
    look = read_document(path, "look")
    write(path, {**look, "purpose": "another wording is another look"})
    causes = refuse(run, studio, contents)
    assert causes == [
        "final 'print' of frame 0001 is stale: run `glassine advance`.",
        "final 'print' of frame 0003 is stale: run `glassine advance`.",
    ]


def test_blocked_frame_stays(at: Callable[[str], Studio], run: Run, contents: Contents) -> None:
    from glassine.flows.job_sheet import set_block

    studio = at("signed")
    set_block(studio, JOB, [3], "the sitter refused", blocked=True, by=MANAGER)
    assert "frame 0003 is blocked: the sitter refused" in refuse(run, studio, contents, frames=[1, 3])
    sent = run("deliver", studio, client=CLIENT)
    manifest = JobRecord(studio.job_folder(JOB)).manifest()
    assert sent["deliveries"] == [1, 2]
    assert {file["frame"] for d in manifest.document["deliveries"] for file in d["files"]} == {1}
    assert manifest.frame(3)["stage"] == "blocked"


@pytest.mark.parametrize(
    ("licences", "word"),
    [
        ([], "no licence"),
        ([{**LICENCE, "until": "2020-12-31"}], "2020-12-31"),
        ([{**LICENCE, "from": "2999-01-01"}], "2999-01-01"),
        ([{**LICENCE, "embargo_until": "2999-06-01"}], "2999-06-01"),
    ],
    ids=["none", "expired", "not yet", "embargo"],
)
def test_licence_covers_today_or_nothing_leaves(
    at: Callable[[str], Studio],
    run: Run,
    contents: Contents,
    change_sheet: Callable[..., None],
    licences: list[Document],
    word: str,
) -> None:
    studio = at("signed")
    change_sheet(studio, licences=licences)
    causes = refuse(run, studio, contents)
    assert len(causes) == 1
    assert word in causes[0]


def test_every_cause_is_named_at_once(
    at: Callable[[str], Studio], run: Run, contents: Contents, change_sheet: Callable[..., None]
) -> None:
    from glassine.flows.job_sheet import set_block

    studio = at("graded")
    set_block(studio, JOB, [3], "no release", blocked=True, by=MANAGER)
    change_sheet(studio, licences=[{**LICENCE, "until": "2020-12-31", "embargo_until": "2999-06-01"}])
    causes = refuse(run, studio, contents, frames=[1, 2, 3])
    for part in (
        "2020-12-31",
        "2999-06-01",
        "frame 0003 is blocked",
        "'print' of frame 0001 is not signed off",
        "frame 0002 is no select of a closed round",
    ):
        assert any(part in cause for cause in causes), part


def test_refusal_with_a_new_specification_writes_nothing_either(
    at: Callable[[str], Studio], run: Run, contents: Contents
) -> None:
    causes = refuse(run, at("graded"), contents, specification="archive-master")
    assert len(causes) == 4


def test_unknown_client_and_specification_are_named(at: Callable[[str], Studio], run: Run, contents: Contents) -> None:
    studio = at("signed")
    before = contents(studio.folder.parent)
    with pytest.raises(CallError, match=f"known: {CLIENT}") as unknown:
        run("deliver", studio, client="Nobody")
    assert unknown.value.code == "W002"
    with pytest.raises(Exception, match=r"no poster\.json \(known: ") as missing:
        run("deliver", studio, client=CLIENT, specification="poster")
    assert getattr(missing.value, "code", "") == "D004"
    assert contents(studio.folder.parent) == before


def test_another_client_has_a_licence_and_a_folder_of_its_own(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("delivered")
    change_sheet(studio, licences=[LICENCE, {"client": SITTER, "terms": "Own web page, credited."}])
    sent = run("deliver", studio, client=SITTER.upper(), specification="screen", frames=[1])
    assert sent["deliveries"] == [3]
    delivery = manifest_of(studio).document["deliveries"][2]
    assert delivery["client"] == SITTER
    assert delivery["licence"]["terms"] == "Own web page, credited."
    assert {file["frame"] for file in delivery["files"]} == {1}
    place = Path(delivery["handed_over"]["place"])
    assert place.parent.name != CLIENT
    image = pyexiv2.Image(str(place / "data" / delivery["files"][0]["name"]))
    try:
        assert "Own web page, credited." in str(image.read_xmp()["Xmp.xmpRights.UsageTerms"])
    finally:
        image.close()


def test_interrupted_between_packing_and_handing_over_goes_on_there(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = at("signed")
    hand_over = deliver_module._hand_over
    with monkeypatch.context() as patched:
        patched.setattr(deliver_module, "_hand_over", _interrupt)
        with pytest.raises(KeyboardInterrupt):
            run("deliver", studio, client=CLIENT)
    packed = manifest_of(studio).document["deliveries"]
    assert [(d["delivery"], d["handed_over"]) for d in packed] == [(1, None)]
    assert deliver_module._hand_over is hand_over
    assert run("deliver", studio, client=CLIENT)["deliveries"] == [1, 2]
    after = manifest_of(studio).document["deliveries"]
    assert after[0]["bag_sha256"] == packed[0]["bag_sha256"]
    assert all(delivery["handed_over"] for delivery in after)
    assert run("deliver", studio, client=CLIENT)["deliveries"] == []


def test_what_was_packed_under_an_older_licence_is_not_sent_for_ever(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    change_sheet: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    studio = at("signed")
    with monkeypatch.context() as patched:
        patched.setattr(deliver_module, "_hand_over", _interrupt)
        with pytest.raises(KeyboardInterrupt):
            run("deliver", studio, client=CLIENT, specification="page")
    change_sheet(studio, licences=[{**LICENCE, "terms": "Yearbook, three years."}])
    assert run("deliver", studio, client=CLIENT, specification="page")["deliveries"] == [2]
    assert run("deliver", studio, client=CLIENT, specification="page")["deliveries"] == []
    deliveries = manifest_of(studio).document["deliveries"]
    assert [bool(delivery["handed_over"]) for delivery in deliveries] == [False, True]
    assert deliveries[1]["licence"]["terms"] == "Yearbook, three years."


def test_killed_right_after_its_last_entry_it_still_brings_bag_and_receipt_to_the_client(
    at: Callable[[str], Studio], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = at("signed")
    calls: list[OpenJob] = []

    def stop_at_the_second(job: OpenJob) -> list[str]:
        calls.append(job)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return []

    with monkeypatch.context() as patched:
        patched.setattr(deliver_module, "finish_hand_overs", stop_at_the_second)
        with pytest.raises(KeyboardInterrupt):
            run("deliver", studio, client=CLIENT, specification="page")
    clients = studio.folder / "clients"
    assert [path for path in clients.glob("*/*") if not path.name.startswith(".")] == []
    assert run("deliver", studio, client=CLIENT, specification="page")["deliveries"] == []
    handed = JobRecord(studio.job_folder(JOB)).manifest().document["deliveries"][0]["handed_over"]
    assert validate_bag(Path(handed["place"])) == []
    for part, suffix in (("receipt", ".json"), ("receipt_pdf", ".pdf")):
        (put,) = clients.glob(f"*/*-receipt{suffix}")
        assert hashlib.sha256(put.read_bytes()).hexdigest() == handed[part]["sha256"]
    assert [path.name for path in clients.glob("*/.*")] == []


def test_what_lies_at_the_clients_already_is_not_ours_to_replace(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    run("deliver", studio, client=CLIENT, specification="page")
    (first,) = (studio.folder / "clients").glob(f"*/{JOB}-0001")
    theirs = first.with_name(f"{JOB}-0002")
    theirs.mkdir()
    (theirs / "notes.txt").write_text("ours\n", encoding="utf-8")
    with pytest.raises(CallError, match="is there already, and is no delivery that the record knows") as refused:
        run("deliver", studio, client=CLIENT, specification="screen")
    assert refused.value.code == "W003"
    assert [path.name for path in theirs.iterdir()] == ["notes.txt"]
    assert manifest_of(studio).document["deliveries"][1]["handed_over"] is None
    theirs.rename(theirs.with_name("theirs"))
    assert run("deliver", studio, client=CLIENT, specification="screen")["deliveries"] == [2]


def test_lost_or_altered_final_is_made_good_and_what_leaves_is_what_was_signed(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    """Of frame 1 the final is lost everywhere, so it is rendered again; of frame 3 a backup has it whole."""
    studio = at("signed")
    finals = {
        number: next(f for f in manifest_of(studio).frame(number)["finals"] if f["final"] == "print")
        for number in (1, 3)
    }
    for volume in (studio.working_volume(), *studio.backups()[0]):
        volume.locate(JOB, finals[1]["path"]).unlink()
    altered = studio.working_volume().locate(JOB, finals[3]["path"])
    altered.write_bytes(altered.read_bytes() + b"\0")
    assert run("deliver", studio, client=CLIENT, specification="page")["deliveries"] == [1]
    again = studio.working_volume().locate(JOB, finals[1]["path"])
    assert hashlib.sha256(again.read_bytes()).hexdigest() == finals[1]["sha256"]
    (delivery,) = manifest_of(studio).document["deliveries"]
    assert [file["final_sha256"] for file in delivery["files"]] == [finals[1]["sha256"], finals[3]["sha256"]]
    assert at_rest(delivery, studio) == {file["name"]: file["sha256"] for file in delivery["files"]}


def test_names_that_would_collide_are_refused(
    at: Callable[[str], Studio], run: Run, write: Callable[..., Path], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    path = studio.folder / "specifications" / "screen.json"
    write(path, {**read_document(path, "delivery_specification"), "name_template": "${job}_${final}"})
    with pytest.raises(CallError, match=r"names two files '2611-04_print\.jpg'"):
        run("deliver", studio, client=CLIENT, specification="screen")
    assert manifest_of(studio).document["deliveries"] == []
    assert not (studio.folder / "clients").exists()


def at_rest(delivery: Document, studio: Studio) -> dict[str, str]:
    """The digests of the files in a delivery's bag."""
    data = studio.job_folder(JOB) / delivery["folder"] / "data"
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in data.iterdir()}


def _interrupt(*words: object, **named: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("stated", [False, True])
def test_a_block_after_a_kill_takes_the_hidden_bag_back(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    monkeypatch: pytest.MonkeyPatch,
    stated: bool,
) -> None:
    """Killed while it copied to the client, or right after its entry: nothing of a blocked frame may appear there."""
    studio = at("signed")
    real = deliver_module._state_hand_over

    def stop(*arguments: Any) -> bool:
        if stated:
            real(*arguments)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(deliver_module, "_state_hand_over", stop)
        with pytest.raises(KeyboardInterrupt):
            run("deliver", studio, client=CLIENT, specification="page")
    clients = studio.folder / "clients"
    assert len(list(clients.glob("*/.*.partial"))) == 1
    set_block(studio, JOB, [1], "the sitter refused", blocked=True, by="Tove Abel")
    outcome = run("deliver", studio, client=CLIENT, specification="page")
    assert list(clients.glob("*/.*.partial")) == []
    assert [bool(outcome["problems"]), outcome["left_out"]] == [stated, ["0001"]]
    assert not [path for path in clients.rglob("*0001*") if "_0001_" in path.name]


def test_two_deliverables_of_one_specification_are_one_set(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("signed")
    deliverables = [{"client": CLIENT, "specification": "screen", "finals": [final]} for final in ("print", "colour")]
    change_sheet(studio, deliverables=deliverables)
    run("deliver", studio, client=CLIENT)
    (delivery,) = manifest_of(studio).document["deliveries"]
    assert {file["final"] for file in delivery["files"]} == {"print", "colour"}
