"""Evidence folders: the reference implementation of BagIt accepts them, any changed byte is found."""

import shutil
from hashlib import sha256
from pathlib import Path

import bagit
import pytest

from wearscope.errors import RecordsError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import PhotoReport, ScaleUsed, conclude
from wearscope.records.evidence import faults, write_evidence
from wearscope.records.store import open_records

FACTS = Facts("flat", "carbide", 6.0, 2)


def write(tmp_path: Path, *, spoil: bool = False) -> Path:
    photo = tmp_path / "slot-03.JPG"
    photo.write_bytes(b"the photo as it was taken")
    report = PhotoReport(
        path=str(photo),
        sha256=sha256(photo.read_bytes()).hexdigest(),
        size=(1600, 1200),
        view="corner",
        flute=1,
        grade="worn",
        reasons=("radius < expected & so on",),
        flags=(),
        measurements=(),
        not_measured={},
        marks=(),
        remarks=(),
        scale=ScaleUsed("typed", 241.3, 0.5),
    )
    if spoil:
        photo.write_bytes(b"another photo")
    with open_records(f"sqlite:///{tmp_path / 'records.sqlite'}") as records:
        records.add_cutter("slot-03", FACTS)
        records.record("slot-03", conclude([report], facts=FACTS, limits=load_limits()))
        write_evidence(records, "slot-03", tmp_path / "evidence")
    return tmp_path / "evidence"


def test_the_reference_implementation_of_bagit_accepts_it(tmp_path: Path) -> None:
    folder = write(tmp_path)
    bagit.Bag(str(folder)).validate()
    assert faults(folder) == []
    assert [p.read_bytes() for p in (folder / "data/photos").iterdir()] == [b"the photo as it was taken"]
    assert "radius &lt; expected &amp; so on" in (folder / "data/index.html").read_text("utf-8")


def test_any_changed_byte_is_found(tmp_path: Path) -> None:
    folder = write(tmp_path)
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        content = path.read_bytes()
        for at in range(len(content)):
            path.write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])
            assert faults(folder), f"byte {at} of {path.name}"
        path.write_bytes(content)
    assert faults(folder) == []


@pytest.mark.parametrize(
    "name", ["data/index.html", "bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"]
)
def test_a_missing_file_is_found(tmp_path: Path, name: str) -> None:
    folder = write(tmp_path)
    (folder / name).unlink()
    assert any(name in fault for fault in faults(folder))


def test_an_added_file_is_found(tmp_path: Path) -> None:
    folder = write(tmp_path)
    shutil.copy(folder / "data/index.html", folder / "data/more.html")
    assert faults(folder) == ["data/more.html: in no manifest"]


def test_another_photo_than_the_measured_one_makes_no_evidence(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="not the photo that was measured"):
        write(tmp_path, spoil=True)
    assert not (tmp_path / "evidence").exists()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "evidence").mkdir()
    with pytest.raises(RecordsError, match="name a new folder"):
        write(tmp_path)
