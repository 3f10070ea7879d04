"""The largest PDF that is made, in a process of its own: seconds, seconds of the processor, peak memory.

`python -m tests.bench.bench_pdf`. The page is the morning sheet of the demo's joints, again and again, with as many
lines as `pdf.MOST_ROWS` lets through. Memory beside it is that of the same process before the print.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.bench_pages import NOW, schedule

from frostshift_service import demo, pdf
from frostshift_service.jobs import Jobs
from frostshift_service.pages import render
from frostshift_service.schedule_file import read_schedule
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.sites import save_site
from frostshift_service.views.crew_sheet import crew_sheet
from frostshift_service.views.desk import Desk

ROUNDS = 3
_ONE = """
import resource, sys, time
from pathlib import Path
from frostshift_service import pdf
html = Path(sys.argv[1]).read_text(encoding="utf-8")
pdf.page_pdf("<p>warm</p>", "letter")
before, begun = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
made = pdf.page_pdf(html, "letter")
seconds, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_SELF)
cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
print(f"{seconds:.1f} s, {cpu:.1f} s of the processor, peak {after.ru_maxrss / 1024:.0f} MiB, "
      f"before it {before.ru_maxrss / 1024:.0f} MiB; {len(made) / 1e3:.0f} kB")
"""


def page_of(joints: int, folder: Path) -> str:
    """The morning sheet of so many joints, as HTML."""
    engine = open_store(f"sqlite:///{(folder / f'{joints}.db').as_posix()}")
    jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
    site = demo.demo_site(NOW)
    read = read_schedule(schedule(joints), "week.csv", site, NOW, 10**8, 100_000)
    with writing(engine) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints, now=NOW, file_name="week.csv", by="bench")
    payload = folder / "forecast.json"
    payload.write_bytes(demo.demo_payload(NOW))
    jobs.take_payload(site.id, payload)
    sheet = Desk(engine, jobs, lambda: NOW).morning(site.id, None, 2)
    page = render("crew_sheet.html", who=None, page=crew_sheet(sheet, None), sheet=sheet, day=None, shifts=2)
    engine.dispose()
    return bytes(page.body).decode()


def main() -> None:
    """Print a line a round."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        joints, html = 200, page_of(200, folder)
        while not pdf.MOST_ROWS - 15 <= pdf.rows_of(html) <= pdf.MOST_ROWS:
            joints = joints * (pdf.MOST_ROWS - 5) // pdf.rows_of(html)
            html = page_of(joints, folder)
        print(f"{pdf.rows_of(html)} lines of at most {pdf.MOST_ROWS}")
        file = folder / "page.html"
        file.write_text(html, encoding="utf-8")
        for _ in range(ROUNDS):
            done = subprocess.run([sys.executable, "-c", _ONE, str(file)], capture_output=True, text=True, check=False)
            print(done.stdout.strip() or done.stderr, flush=True)


if __name__ == "__main__":
    main()
