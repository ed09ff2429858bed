"""Records by the command line."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from wearscope.cli import app
from wearscope.errors import InputError, RecordsError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.grading.observed import observed_corner
from wearscope.inspection import conclude, to_document

Run = Callable[..., Result]


@pytest.fixture
def run(records_url: str, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("WEARSCOPE_RECORDS", records_url)
    return lambda *words: CliRunner().invoke(app, list(words))


def test_the_life_of_a_cutter(run: Run, tmp_path: Path) -> None:
    inspection = conclude([], facts=Facts("flat"), limits=load_limits(), observed=[observed_corner("blunt")])
    document = tmp_path / "slot-03.json"
    document.write_text(json.dumps(to_document(inspection)))
    for words in (
        ("cutter", "add", "slot-03", "--diameter", "1/4in", "--flutes", "2"),
        ("record", str(document), "--cutter", "slot-03"),
        ("use", "slot-03", "--minutes", "40", "--note", "plywood"),
        ("use", "slot-03", "--minutes", "25"),
        ("cutter", "undo", "1"),
        ("event", "slot-03", "sharpened"),
        ("overrule", "1", "--grade", "worn", "--reason", "cuts pine cleanly"),
        ("cutter", "check"),
    ):
        assert run(*words).exit_code == 0, words
    folder = tmp_path / "evidence"
    assert run("evidence", "slot-03", "--out", str(folder)).exit_code == 0
    assert run("evidence", "--verify", str(folder)).exit_code == 0
    (folder / "data" / "index.html").write_text("another page")
    assert "index.html: changed" in str(run("evidence", "--verify", str(folder)).exception)
    assert isinstance(run("evidence", "slot-03").exception, InputError)
    assert "slot-03: flat, carbide, 6.35 mm, " + inspection.grade in run("cutter", "list").stdout
    shown = run("cutter", "show", "slot-03").stdout
    for words in ("plywood  withdrawn", "worn: cuts pine cleanly", "sharpened", "used for 25 min in all"):
        assert words in shown


@pytest.mark.parametrize("content", ["", "{", "[]", '{"schema": "wearscope/inspection/1"}'])
def test_what_is_no_inspection_is_not_recorded(run: Run, tmp_path: Path, content: str) -> None:
    run("cutter", "add", "slot-03")
    (tmp_path / "x.json").write_text(content)
    result = run("record", str(tmp_path / "x.json"), "--cutter", "slot-03")
    assert isinstance(result.exception, RecordsError)
    assert "not an inspection" in str(result.exception)
    assert "inspection" not in run("cutter", "show", "slot-03").stdout
