"""Labels: printed sheets read back, photos told by them, and what is said when they cannot be."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.drawer.plan import Bench, Job, Known, Seen, Shown, name_pattern, read_cutters
from wearscope.drawer.work import look
from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.photo.label import PREFIX, read_labels, without_labels
from wearscope.photo.read import Photo, read_photo
from wearscope.pipeline import TypedScale
from wearscope.report.labels import save_labels

SAMPLE = Path(__file__).parent.parent / "sample_images" / "slot03_flat3_carbide_backlit.jpg"
Picture = NDArray[np.uint8]


def code(text: str, *, module_px: int = 10) -> Picture:
    """A printed code with its white margin, drawn by segno, grey 25 on 225."""
    import segno

    rows = segno.make(text, error="m", micro=False).matrix_iter(border=4)
    dark = np.array([[bool(module) for module in row] for row in rows])
    return np.kron(np.where(dark, 25, 225), np.ones((module_px, module_px))).astype(np.uint8)


def laid(picture: Picture, card: Picture, at: tuple[float, float], *, turn: float = 0.0) -> Picture:
    """The picture with a card lying in it, its middle at `at` (px), turned by `turn` degrees."""
    high, wide = card.shape
    move = cv2.getRotationMatrix2D((wide / 2, high / 2), turn, 1.0)
    move[:, 2] += np.array(at) - (wide / 2, high / 2)
    size = picture.shape[1::-1]
    mask = cv2.warpAffine(np.ones_like(card), move, size) > 0
    out = picture.copy()
    out[mask] = cv2.warpAffine(card, move, size)[mask][:, None]
    return out


def photo(picture: Picture) -> Photo:
    return Photo("photo.png", "0" * 64, picture)


def ground(seed: int = 0) -> Picture:
    rng = np.random.default_rng(seed)
    return np.clip(rng.normal(120, 3, (600, 800, 3)), 0, 255).astype(np.uint8)


# ---------------------------------------------------------------- the sheet


@pytest.mark.parametrize(("size", "dpi"), [(18.0, 400), (3.0, 1200)])
def test_a_printed_sheet_is_read_back(tmp_path: Path, size: float, dpi: int) -> None:
    """The PDF drawn by PDFium and read: every name, and each code as large as asked for."""
    import pypdfium2

    names = [f"slot {n:02d}" for n in range(1, 13)] + ["Nutfräser 8 $x$"]
    assert save_labels(names, tmp_path / "labels.pdf", size_mm=size) == 1
    sheet = pypdfium2.PdfDocument(tmp_path / "labels.pdf")
    page = sheet[0].render(scale=dpi / 72).to_numpy()[:, :, :3]
    sheet.close()
    px = dpi / 25.4
    found: dict[str, float] = {}
    for row in range(3):
        top = int((12 + row * (size + 8)) * px)
        for column in range(12):
            left = int((12 + column * (max(size, 16) + 3)) * px)
            cell = page[top : top + int((size + 5) * px), left : left + int(max(size, 16) * px)]
            if cell.size and cell.min() < 128:
                labels = read_labels(photo(np.ascontiguousarray(cell)))
                assert len(labels.names) == 1 and labels.unread == 0
                side = np.linalg.norm(np.diff(labels.quads[0], axis=0), axis=1).mean()
                found[labels.names[0]] = float(side / px)
    assert list(found) == names
    modules = {name: 21 if len(PREFIX + name) <= 14 else 25 for name in names}
    for name, side in found.items():
        assert side == pytest.approx(size * modules[name] / (modules[name] + 8), rel=0.03)


def test_names_stand_on_the_sheet_in_letters_and_it_is_paper_sized(tmp_path: Path) -> None:
    from pypdf import PdfReader

    names = [f"slot {n:02d}" for n in range(1, 121)]
    assert save_labels(names, tmp_path / "labels.pdf", paper="letter") == 2
    pages = PdfReader(tmp_path / "labels.pdf").pages
    assert [float(length) for length in pages[0].mediabox[2:]] == pytest.approx([612, 792], abs=0.5)
    words = "".join(page.extract_text() for page in pages)
    assert all(name in words for name in names)


@pytest.mark.parametrize(
    ("names", "size", "message"),
    [
        ([], 18, "no name"),
        (["a", "a"], 18, "named twice"),
        (["a" * 61], 18, "1 to 60"),
        (["a\nb"], 18, "one line"),
        (["a"], 1, "1.5 to 186"),
        (["a"], 300, "1.5 to 186"),
    ],
)
def test_labels_that_make_no_sense(tmp_path: Path, names: list[str], size: float, message: str) -> None:
    with pytest.raises(InputError, match=message):
        save_labels(names, tmp_path / "labels.pdf", size_mm=size)


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pypdf import PdfReader

    monkeypatch.setenv("WEARSCOPE_RECORDS", f"sqlite:///{tmp_path / 'records.sqlite'}")
    out = str(tmp_path / "l.pdf")

    def words(*arguments: str) -> str:
        result = CliRunner().invoke(app, ["labels", *arguments, "--output", out])
        assert result.exit_code == 0, result.output
        return PdfReader(out).pages[0].extract_text()

    assert "slot 12" in words("--slots", "12") and "slot 13" not in words("--slots", "12")
    assert "roughing 8" in words("roughing 8", "--size", "1in")
    assert isinstance(CliRunner().invoke(app, ["labels", "--output", out]).exception, InputError)
    CliRunner().invoke(app, ["cutter", "add", "upper drawer"])
    assert "upper drawer" in words()


# ---------------------------------------------------------------- reading


@pytest.mark.parametrize("turn", [0.0, 23.0, 137.0, 251.0])
@pytest.mark.parametrize(("module_px", "blur"), [(8, 1.0), (12, 2.0), (24, 3.0)])
def test_labels_are_read_turned_blurred_and_noisy(turn: float, module_px: int, blur: float) -> None:
    picture = np.full((1000, 1200, 3), 120, np.uint8)
    picture = laid(picture, code("cutter:slot 02", module_px=module_px), (600, 500), turn=turn)
    seen = cv2.GaussianBlur(picture, (0, 0), blur) + np.random.default_rng(1).normal(0, 2, picture.shape)
    labels = read_labels(photo(np.clip(seen, 0, 255).astype(np.uint8)))
    assert (labels.names, labels.unread) == (("slot 02",), 0)


def test_a_picture_without_labels_or_with_codes_of_others() -> None:
    assert read_labels(photo(ground())).names == ()
    other = laid(ground(), code("https://example.org/stage"), (400, 300))
    assert (read_labels(photo(other)).names, read_labels(photo(other)).unread) == ((), 0)
    np.testing.assert_array_equal(without_labels(photo(other), read_labels(photo(other))).encoded, other)


def test_labels_are_painted_over() -> None:
    """Nothing of the card is left, and nothing far from it is touched."""
    picture = laid(ground(), code("cutter:slot 02", module_px=6), (400, 300), turn=30)
    clean = without_labels(photo(picture), read_labels(photo(picture))).encoded
    assert clean.min() > 95 and clean.max() < 145
    np.testing.assert_array_equal(clean[:, :150], picture[:, :150])


# ---------------------------------------------------------------- photos told by labels

CUTTERS = {"slot 03": Facts.given(kind="flat", material="carbide", diameter_mm=3.0, flutes=1)}


def seen(path: Path, *, said: str = "", cutters: dict[str, Facts] | None = None) -> Seen:
    bench = Bench(TypedScale(280.0), "typed", load_limits(), cutters=CUTTERS if cutters is None else cutters)
    return look(
        bench,
        Job("ab" * 32, path.name, str(path), Shown(said, CUTTERS["slot 03"] if said else Facts.given())),
    )


def with_cards(
    tmp_path: Path, *cards: Picture, places: tuple[tuple[float, float], ...] = ((230, 220), (230, 960))
) -> Path:
    picture = read_photo(SAMPLE).encoded
    for card, at in zip(cards, places, strict=False):
        picture = laid(np.asarray(picture, np.uint8), card, at, turn=12)
    path = tmp_path / "labelled.png"
    cv2.imwrite(str(path), picture)
    return path


def test_a_label_says_whose_photo_it_is_and_leaves_the_measurement_alone(tmp_path: Path) -> None:
    plain = seen(SAMPLE, said="slot 03")
    found = seen(with_cards(tmp_path, code("cutter:slot 03")))
    assert found.label == "slot 03" and found.document is not None and plain.document is not None
    assert found.document["cutter"]["diameter_mm"] == 3.0
    assert found.document["grade"] == plain.document["grade"] == "sharp"
    assert "label_missing" in seen(SAMPLE).document["photos"][0]["flags"]  # type: ignore[index]


def test_contradictions_are_said_and_nothing_is_graded(tmp_path: Path) -> None:
    labelled = with_cards(tmp_path, code("cutter:slot 03"))
    found = seen(labelled, said="slot 09")
    assert found.document is None and "label says slot 03, but it was said to show slot 09" in found.reason
    two = seen(with_cards(tmp_path, code("cutter:slot 03"), code("cutter:slot 04")))
    assert two.document is None and "different cutters" in two.reason
    assert "slot 03" in two.reason and "slot 04" in two.reason


def test_a_label_that_cannot_be_read_is_flagged(tmp_path: Path) -> None:
    """The data of the code are scratched over, its three finder patterns are whole."""
    soiled = code("cutter:slot 03")
    soiled[130:240, 130:240] = 120
    found = seen(with_cards(tmp_path, soiled))
    assert found.label == "" and found.document is not None
    assert "label_unreadable" in found.document["photos"][0]["flags"]


def test_the_drawer_puts_photos_together_by_their_labels(tmp_path: Path) -> None:
    """Two photos of one label are one cutter; a change of its facts, and only that, makes them be looked at again."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for n, text in enumerate(("cutter:slot 03", "cutter:slot 03", "cutter:slot 05")):
        cv2.imwrite(str(photos / f"{n}.png"), laid(ground(n), code(text, module_px=8), (400, 300)))
    facts = photos / "cutters.csv"
    facts.write_text("file,cutter,kind,diameter\n,slot 03,flat,3\n,slot 05,flat,5\n")

    def run() -> tuple[dict[str, dict[str, object]], str]:
        words = ["drawer", str(photos), "--labels", "--px-per-mm", "100", "--out", str(tmp_path / "out")]
        result = CliRunner().invoke(app, [*words, "--workers", "1", "--json"])
        assert result.exit_code == 4, result.output
        return {c["cutter"]: c for c in json.loads(result.stdout)["cutters"]}, result.stderr

    cutters, _ = run()
    assert {name: len(c["pictures"]) for name, c in cutters.items()} == {"slot 03": 2, "slot 05": 1}  # type: ignore[arg-type]
    assert cutters["slot 03"]["inspection"]["cutter"]["diameter_mm"] == 3.0  # type: ignore[index]
    assert "0 of 3 photos" in run()[1]
    facts.write_text("file,cutter,kind,diameter\n,slot 03,flat,3\n,slot 05,flat,6\n")
    assert "1 of 3 photos" in run()[1]


# ---------------------------------------------------------------- file names and folders


@pytest.mark.parametrize(
    ("pattern", "name", "expected"),
    [
        ("{cutter}_flute{flute}", "a/slot 02_flute2.jpg", ("slot 02", None, 2)),
        ("{cutter}-{view}*", "T7-edge-retry.png", ("T7", "edge", None)),
        ("IMG*_{cutter}", "IMG_0012_slot.3.png", ("slot.3", None, None)),
    ],
)
def test_file_names_tell_the_cutter(
    pattern: str, name: str, expected: tuple[str, str | None, int | None]
) -> None:
    shown = Known(pattern=name_pattern(pattern)).shown(name)
    assert (shown.cutter, shown.view, shown.flute) == expected


def test_a_line_comes_before_the_pattern_and_the_pattern_before_the_folder(tmp_path: Path) -> None:
    facts = tmp_path / "cutters.csv"
    facts.write_text("file,cutter,diameter\nin/x_1.png,mine,8\n,y,5\n,in,4\n")
    known = replace(read_cutters(facts), pattern=name_pattern("{cutter}_{flute}"), by_folder=True)
    told = {name: known.shown(name) for name in ("in/x_1.png", "in/y_1.png", "in/z.png", "z.png")}
    assert [shown.cutter for shown in told.values()] == ["mine", "y", "in", ""]
    assert [shown.facts.diameter_mm for shown in told.values()] == [8, 5, 4, 6]


@pytest.mark.parametrize("pattern", ["x", "{flute}", "{cutter}{slot}", "{cutter}_{cutter}", "{cutter"])
def test_patterns_that_make_no_sense(pattern: str) -> None:
    with pytest.raises(InputError, match=r"expected \{cutter\}"):
        name_pattern(pattern)
