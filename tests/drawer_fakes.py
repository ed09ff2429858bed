"""A drawer's worker without measuring: the grade of a photo follows from its first pixel.

Must be importable by name, for it runs in other processes. Counts its calls by files in the folder that
`WEARSCOPE_TEST_CALLS` names.
"""

import os
import secrets
import signal
import time
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np

from wearscope.drawer.plan import Bench, Job, Seen
from wearscope.inspection import LimitSteps, Measurement, PhotoReport, ScaleUsed, conclude, to_document
from wearscope.quantity import Quantity

GRADES = ("sharp", "worn", "retake", "discard")


def write_photo(path: Path, grade: str, number: int) -> None:
    """A small picture that the fake worker grades as `grade`; `number` makes its bytes differ."""
    path.parent.mkdir(parents=True, exist_ok=True)
    picture = np.full((24, 32, 3), 200, np.uint8)
    picture[0, 0] = GRADES.index(grade)
    picture[1, :3, 0] = [number % 256, number // 256, 7]
    cv2.imwrite(str(path), picture)


def fake_look(bench: Bench, job: Job) -> Seen:
    """One call, one file in the folder of calls."""
    calls = os.environ.get("WEARSCOPE_TEST_CALLS")
    if calls:
        (Path(calls) / f"{job.key[:8]}-{secrets.token_hex(4)}").touch()
    picture = cv2.imread(job.path)
    if picture is None:
        return Seen(reason="damaged or truncated; copy the photo again")
    grade = GRADES[picture[0, 0, 0]]
    radius = {"sharp": 0.02, "worn": 0.07, "retake": 0.05, "discard": 0.3}[grade]
    measured = Measurement(
        "corner_radius",
        Quantity(radius, "mm", {"noise": 0.002}),
        grade,
        LimitSteps(0.04, 0.1),
        reason=f"corner radius {radius}",
    )
    report = PhotoReport(
        job.path, "", (32, 24), job.shown.view or "corner", job.shown.flute or 1, grade, (measured.reason,), (),
        (measured,), {}, (), (), ScaleUsed("typed", 100.0, 0.0),
    )  # fmt: skip
    document = to_document(conclude([report], facts=job.shown.facts, limits=bench.limits))
    document["photos"][0]["sha256"] = job.key
    return Seen(document, b"picture of " + job.key.encode(), b"thumbnail of " + job.key.encode())


def slow_look(bench: Bench, job: Job) -> Seen:
    """As `fake_look`, but it takes a moment."""
    time.sleep(0.01)
    return fake_look(bench, job)


def double(number: int) -> int:
    """Twice the number; some numbers are trouble."""
    if number == 13:
        raise ValueError("thirteen")
    if number == 17:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def pids_and_sleep(number: int) -> int:
    """The worker's process id, after a while."""
    time.sleep(0.2)
    return os.getpid()


class Page(HTMLParser):
    """Every element of a page with its attributes and all words inside it."""

    VOID = frozenset(("meta", "img", "br", "hr", "input", "link"))

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None], list[str]]] = []
        self.open: list[int] = []
        self.feed(text)
        assert not self.open, "an element is not closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs), []))
        if tag not in self.VOID:
            self.open.append(len(self.elements) - 1)

    def handle_endtag(self, tag: str) -> None:
        assert self.elements[self.open.pop()][0] == tag, f"</{tag}> closes another element"

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs), []))

    def handle_data(self, data: str) -> None:
        for element in self.open:
            self.elements[element][2].append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of all elements of that kind."""
        return [attributes for name, attributes, _ in self.elements if name == tag]

    def words(self, tag: str) -> list[str]:
        """Words inside all elements of that kind."""
        return [" ".join("".join(words).split()) for name, _, words in self.elements if name == tag]
