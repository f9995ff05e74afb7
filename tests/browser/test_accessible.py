"""What the suite's own search for violations tells from what it must not."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from accessible import serious

PAGE = """<html lang="en"><title>Two targets</title><main><h1>Two targets</h1>
<div style="position: sticky; top: 0">
<a href="#one" style="display: block; height: 50px">kept</a></div>
<div style="height: 2000px"></div><p><button id="one" style="STYLE">y</button><button style="STYLE">z</button></p>
<div style="height: 2000px"></div></main></html>"""


@pytest.mark.parametrize(("size_px", "small"), [(30, False), (12, True)])
def test_a_target_is_as_large_as_it_is_not_as_a_bar_leaves_it(browser: Browser, size_px: int, small: bool) -> None:
    page = browser.new_page()
    page.set_content(PAGE.replace("STYLE", f"width: {size_px}px; height: {size_px}px; min-width: 0; padding: 0"))
    # Eight pixels of the first button look out from under the bar.
    page.evaluate("scrollBy(0, document.querySelector('#one').getBoundingClientRect().bottom - 58)")
    violations = serious(page)
    page.close()
    assert any("target-size" in one for one in violations) is small
