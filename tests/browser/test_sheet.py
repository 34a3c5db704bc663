"""The field sheet on paper: pages are rendered and read back with poppler's tools."""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from .conftest import SCREENS


@pytest.fixture
def printed(desk, sign_in, tmp_path):
    page = sign_in(path=f"/alerts/{desk.alerts['quarry_hill']}/sheet")
    path = tmp_path / "sheet.pdf"
    page.pdf(path=path, prefer_css_page_size=True)
    return path


def words_of(path: Path) -> str:
    run = subprocess.run(["pdftotext", "-layout", path, "-"], check=True, capture_output=True, text=True)
    return " ".join(run.stdout.split())


def test_the_sheet_prints_on_a4_with_ink_on_every_page_and_no_colour(printed):
    SCREENS.mkdir(parents=True, exist_ok=True)
    for old in SCREENS.glob("sheet-page-*.png"):
        old.unlink()
    subprocess.run(["pdftoppm", "-r", "70", "-png", printed, SCREENS / "sheet-page"], check=True)
    shutil.copy(printed, SCREENS / "sheet.pdf")
    info = subprocess.run(["pdfinfo", printed], check=True, capture_output=True, text=True).stdout
    assert "A4" in info
    pages = sorted(SCREENS.glob("sheet-page-*.png"))
    assert 2 <= len(pages) <= 4
    for path in pages:
        picture = imread(path)[..., :3]
        assert (picture.min(axis=2) < 0.4).mean() > 0.002, f"{path.name} is blank"
        assert np.ptp(picture, axis=2).max() < 0.1, f"{path.name} has colour"


def test_cautions_come_first_and_every_check_has_its_box_and_letters(desk, printed):
    text = words_of(printed)
    view = desk.room.desk.alert(desk.alerts["quarry_hill"])
    at_cautions, at_checks = text.index("First: what can hurt somebody"), text.index("check in this order")
    at_found = text.index("what was found")
    assert at_cautions < at_checks < at_found
    assert "Local codes" in text[at_cautions:at_checks]
    assert "licensed or authorised" in text[at_cautions:at_checks]
    for check in view.alert.field_checks:
        for caution in check.cautions:
            assert caution[:40] in text[at_cautions:at_checks], caution
        assert " ".join(check.text.split())[:25] in text[at_checks:at_found]
    n_minding = sum(1 for check in view.alert.field_checks if check.cautions)
    assert len(re.findall(r"Cautions? [A-Z]", text[at_checks:at_found])) >= n_minding
    assert all(cause.text[:20] in text[at_found:] for cause in view.alert.likely_causes)
    assert "Quarry Hill" in text
    assert view.alert.alert_id in text


def test_boxes_are_there_to_be_ticked(desk, sign_in):
    page = sign_in(path=f"/alerts/{desk.alerts['quarry_hill']}/sheet")
    alert = desk.room.desk.alert(desk.alerts["quarry_hill"]).alert
    assert page.locator(".checks tbody .box").count() == len(alert.field_checks)
    assert page.locator(".ticks .box").count() == len(alert.likely_causes) + 2
    assert page.locator(".strip .s-outlet").count() == 2
