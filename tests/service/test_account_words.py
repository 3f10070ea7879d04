"""Plain words for a browser: only what it says of itself."""

from __future__ import annotations

import pytest

from frostshift_service.views.accounts import device_text

AGENTS = [
    ("Mozilla/5.0 (Linux; Android 14; SM-G556B) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 Mobile "
     "Safari/537.36", "Chrome on Android"),
    ("Mozilla/5.0 (Linux; Android 13; SM-G525F) AppleWebKit/537.36 (KHTML, like Gecko) SamsungBrowser/25.0 "
     "Chrome/121.0.0.0 Mobile Safari/537.36", "Samsung Internet on Android"),
    ("Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.5 "
     "Mobile/15E148 Safari/604.1", "Safari on iPhone"),
    ("Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) CriOS/126.0 "
     "Mobile/15E148 Safari/604.1", "Chrome on iPhone"),
    ("Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 "
     "Safari/537.36 Edg/126.0.0.0", "Edge on Windows"),
    ("Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:127.0) Gecko/20100101 Firefox/127.0", "Firefox on Windows"),
    ("Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.5 "
     "Safari/605.1.15", "Safari on Mac"),
    ("Mozilla/5.0 (X11; Linux x86_64; rv:115.0) Gecko/20100101 Firefox/115.0", "Firefox on Linux"),
    ("Mozilla/5.0 (X11; CrOS x86_64 14541.0.0) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 "
     "Safari/537.36", "Chrome on Chromebook"),
    ("curl/8.5.0", ""),
    ("something of Android", "Android"),
    ("", ""),
]  # fmt: skip


@pytest.mark.parametrize(("browser", "said"), AGENTS)
def test_a_browser_in_plain_words(browser: str, said: str) -> None:
    assert device_text(browser) == said
