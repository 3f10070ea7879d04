// Adds two things to pages that work without it: a button that copies a notice, and the newest notices without reload.
"use strict";

(() => {
  const button = document.getElementById("copy");
  const text = document.getElementById("text");
  if (button && text && navigator.clipboard) {
    button.hidden = false;
    button.addEventListener("click", async () => {
      const said = document.getElementById("copied");
      try {
        await navigator.clipboard.writeText(text.value);
        said.textContent = "Copied.";
      } catch {
        text.select();
        said.textContent = "Not allowed here: copy the marked text.";
      }
    });
  }

  const live = document.getElementById("live");
  if (!live) return;
  const look = async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(live.dataset.watch, { headers: { Accept: "application/json" } });
      if (!answer.ok) return;
      const page = await answer.json();
      const newest = String(page.notices.length ? page.notices[0].number : 0);
      if (newest === live.dataset.newest && String(page.unanswered) === live.dataset.unanswered) return;
      const whole = await (await fetch(location.href)).text();
      const fresh = new DOMParser().parseFromString(whole, "text/html").getElementById("live");
      if (!fresh) return;
      live.replaceChildren(...fresh.childNodes);
      live.dataset.newest = fresh.dataset.newest;
      live.dataset.unanswered = fresh.dataset.unanswered;
    } catch {
      // No line to the service: what is shown stays, and the next look may find it.
    }
  };
  const every = Number(live.dataset.every || 30000);
  setInterval(look, every);
  document.addEventListener("visibilitychange", look);
})();
