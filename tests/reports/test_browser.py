"""The page in a real browser: usable with a keyboard and a screen reader, and inert whatever a device said."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from hardenprobe.demo_lab import process, service_hostile
from hardenprobe.model import Device, Result, Review, Said
from hardenprobe.testing import HOSTILE, sample_review

pytestmark = [pytest.mark.slow, pytest.mark.peer]

Browser = Callable[..., AbstractContextManager[Any]]
Written = Callable[[str, Any], bytes]


@pytest.fixture
def page_of(written: Written, tmp_path: Path) -> Callable[[Review], Path]:
    def write(review: Review) -> Path:
        file = tmp_path / "report.html"
        file.write_bytes(written("html", review))
        return file

    return write


def texts_of_the_hostile_lab() -> tuple[str, ...]:
    """Every text that its device of texts declares or sends."""
    lab = yaml.safe_load(process.HOSTILE.read_text(encoding="utf-8"))
    (device,) = (one["lab"] for one in lab["devices"] if one["asset_tag"] == "HX-32")

    def strings(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, dict | list):
            for one in value.values() if isinstance(value, dict) else value:
                yield from strings(one)

    found = [text for text in strings(device) if re.search(r"[<>=@\x00-\x1f]", text)]
    return (*found, service_hostile.TEXT.decode("latin-1"), *HOSTILE)


def everywhere(text: str, n: int, device: Device, results: list[Result]) -> tuple[Device, list[Result]]:
    device = replace(
        device, asset_tag=f"{text}{n}", place=text, owner=text, make_model=text, names=(text,), tags=(text,)
    )
    return device, [replace(r, observed=Said(text=text), subject=text) for r in results]  # fmt: skip


def hostile_review() -> tuple[Review, tuple[str, ...]]:
    texts = texts_of_the_hostile_lab()
    review = sample_review(len(texts), hostile=True)
    devices, results = [], []
    for n, (text, device) in enumerate(zip(texts, review.devices, strict=True)):
        made = everywhere(text, n, device, [r for r in review.results if r.device == device.id])
        devices.append(made[0])
        results += made[1]
    return replace(review, devices=tuple(devices), results=tuple(results)), texts


def test_nothing_that_a_device_wrote_acts(browser: Browser, page_of: Callable[[Review], Path]) -> None:
    review, texts = hostile_review()
    assert any("<script>alert(1)</script>" in text for text in texts)
    with browser(page_of(review)) as opened:
        page = opened.page
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        while (more := page.locator("button.more:visible")).count():
            more.first.click()
        page.wait_for_timeout(300)
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        page.wait_for_timeout(300)
        elements = page.evaluate(
            "[...new Set([...document.querySelectorAll('*')].map((e) => e.localName))].sort()"
        )
        handlers = page.evaluate(
            "[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes]).filter((a) => a.name.startsWith('on') || a.name === 'style' || a.name === 'src').length"
        )
        shown = page.inner_text("main")
        scripts = page.locator("script:not([type='text/plain'])").count()
        cards = page.locator(".finding").count()

    assert opened.left == []
    assert opened.said == []
    assert not {"img", "iframe", "object", "embed", "link", "base", "b", "marquee"} & set(elements)
    assert handlers == 0
    assert scripts == 1
    assert cards == len(review.findings)
    assert "<script>alert(1)</script>" in shown  # it is there, and only text
    assert "\x1b" not in shown


def test_the_policy_stops_a_script_that_is_not_ours(
    browser: Browser, page_of: Callable[[Review], Path], tmp_path: Path
) -> None:
    ours = page_of(sample_review(1)).read_text(encoding="utf-8")
    theirs = "<main><script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">"
    file = tmp_path / "report.html"
    file.write_text(ours.replace("<main>", theirs), encoding="utf-8")
    with browser(file) as opened:
        assert opened.page.title() != "owned"
        assert opened.left == []  # the picture was not asked for
    # Without the policy the same script acts, so the lines above prove something.
    bare = re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", ours)
    file.write_text(bare.replace("<main>", theirs), encoding="utf-8")
    with browser(file) as opened:
        assert opened.page.title() == "owned"
        assert opened.left == [(tmp_path / "x").as_uri()]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_no_barrier_to_whoever_reads_otherwise(
    browser: Browser, page_of: Callable[[Review], Path], theme: str, width: int
) -> None:
    """Axe-core by its rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices."""
    from axe_playwright_python.sync_playwright import Axe

    review = sample_review(8)
    file = page_of(review)
    finding = review.findings[0].finding
    with browser(file, f"#finding-{finding}", theme=theme, width=width) as opened:
        page = opened.page
        for details in page.locator("details").all()[:30]:
            details.evaluate("(one) => { one.open = true; }")
        page.wait_for_timeout(300)
        found = Axe().run(page).response
        too_wide = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )

    assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found["violations"]] == []
    assert {one["id"] for one in found["passes"]} >= {"color-contrast", "label", "list", "region"}
    assert too_wide <= 0
    assert opened.said == []


def test_links_lead_to_what_is_not_drawn_yet(browser: Browser, page_of: Callable[[Review], Path]) -> None:
    review = sample_review(100)
    file = page_of(review)
    last = max(review.findings, key=lambda result: [d.id for d in review.devices].index(result.device))
    device = next(one for one in review.devices if one.id == last.device)
    with browser(file, f"#finding-{last.finding}") as opened:
        page = opened.page
        assert page.locator("#linked .finding").get_attribute("data-finding") == last.finding
        assert (
            f"{device.label} {last.endpoint.port}/tcp" in page.locator("#linked summary").first.inner_text()
        )
        page.evaluate(f"location.hash = '#device-{device.id}'")
        page.wait_for_selector("#linked details[open] dl")
        assert device.names[0] in page.locator("#linked").inner_text()
        page.evaluate("location.hash = '#finding-0000'")
        page.wait_for_selector("#linked h3:text('leads to nothing')")
        assert opened.said == []


def test_filters_and_pages(browser: Browser, page_of: Callable[[Review], Path]) -> None:
    from playwright.sync_api import expect

    review = sample_review(120)
    with browser(page_of(review)) as opened:
        page = opened.page
        output = page.locator("#filter output")
        assert output.inner_text() == "120 of 120 devices"
        assert page.locator(".grid tbody tr").count() == 40
        page.locator("button.more").first.click()
        assert page.locator(".grid tbody tr").count() == 80

        page.select_option("select[name=check]", "cleartext-telnet")
        page.select_option("select[name=outcome]", "high")
        high = [r for r in review.findings if r.check == "cleartext-telnet" and r.stands]
        assert output.inner_text() == f"{len({r.device for r in high})} of 120 devices"
        while (more := page.locator("#findings ~ p button.more:visible")).count():
            more.first.click()
        assert set(page.eval_on_selector_all("#findings ~ .list .finding", "(all) => all.map((e) => e.dataset.finding)")) == {
            r.finding for r in high
        }  # fmt: skip

        page.click("button[type=reset]")
        expect(output).to_have_text(re.compile("120 of"))  # it needs no eval, which the page's policy refuses
        page.fill("input[name=device]", review.devices[7].label)
        assert output.inner_text() == "1 of 120 devices"
        page.fill("input[name=device]", "")
        page.select_option("select[name=network]", "127.0.0.0/24")
        assert output.inner_text() == "120 of 120 devices"

        page.select_option("select[name=owner]", "Facilities")
        page.select_option("select[name=place]", review.devices[0].place)
        there = [one for one in review.devices if one.place == review.devices[0].place]
        assert output.inner_text() == f"{len(there)} of 120 devices"
        link = page.locator("[data-permalink]").get_attribute("href")
        page.click("button[type=reset]")
        expect(output).to_have_text(re.compile("120 of"))
        page.evaluate("(to) => { location.hash = to }", link)
        expect(output).to_have_text(f"{len(there)} of 120 devices")
        assert page.input_value("select[name=place]") == review.devices[0].place

        remedy = review.what_first[0]
        page.evaluate("(to) => { location.hash = to }", f"#remedy-{remedy.remedy.id}")
        page.locator(f"#remedy-{remedy.remedy.id} button").click()
        assert output.inner_text() == f"{len(remedy.devices)} of 120 devices"
        assert opened.said == []


def test_paper_says_what_it_leaves_out_and_carries_ids(
    browser: Browser, page_of: Callable[[Review], Path]
) -> None:
    review = sample_review(120)
    number = len({r.finding for r in review.findings})
    with browser(page_of(review)) as opened:
        page = opened.page
        note = page.locator("#findings-left")
        assert not note.is_visible()
        page.emulate_media(media="print")
        assert note.inner_text().startswith(f"{number - 20:,} of {number:,} are left out here")
        shown = page.locator("#findings ~ .list .finding")
        assert all(one in shown.first.inner_text() for one in [shown.first.get_attribute("data-finding")])
        page.emulate_media(media="screen")
        page.select_option("select[name=check]", "cleartext-telnet")
        while (more := page.locator("#findings ~ p button.more:visible")).count():
            more.first.click()
        page.emulate_media(media="print")
        assert note.inner_text() == ""


def test_everything_is_reached_by_keyboard(browser: Browser, page_of: Callable[[Review], Path]) -> None:
    with browser(page_of(sample_review(2))) as opened:
        page = opened.page
        seen = []
        for _ in range(200):
            page.keyboard.press("Tab")
            seen.append(page.evaluate("(({ localName, name, className, textContent }) => `${localName} ${name || className || ''} ${(textContent || '').slice(0, 30)}`)(document.activeElement)"))  # fmt: skip
            if seen[-1].startswith("body"):
                break
        assert seen[0].startswith("a skip")
        for wanted in (
            "input device",
            "select owner",
            "select place",
            "select outcome",
            "select check",
            "select network",
            "select remedy",
            "summary",
        ):
            assert any(one.startswith(wanted) for one in seen), wanted
        page.locator(".grid a[href^='#at-']").first.focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("#linked .finding")
        assert page.evaluate("document.activeElement.closest('#linked') !== null")


def test_without_scripts_it_says_where_the_lists_are(
    browser: Browser, page_of: Callable[[Review], Path]
) -> None:
    with browser(page_of(sample_review(2)), java_script_enabled=False, ready=False) as opened:
        shown = opened.page.inner_text("main")
    assert "drawn up by a script" in shown
    assert "Switch telnet off" in shown


@pytest.mark.parametrize("hostile", [False, True])
def test_a_phone_never_scrolls_sideways_and_breaks_no_id(
    browser: Browser, page_of: Callable[[Review], Path], hostile: bool
) -> None:
    with browser(page_of(sample_review(12, hostile=hostile)), width=390) as opened:
        page = opened.page
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        lines = page.evaluate(
            "[...document.querySelectorAll('main code:not(.long)')].map((e) => e.getClientRects().length)"
        )
        assert set(lines) == {1}
