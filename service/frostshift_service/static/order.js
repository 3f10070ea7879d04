// Adds to the page of an order of work that is being worked out: how far it is, and word of the next answer.
"use strict";

(() => {
  const order = document.getElementById("order");
  const news = document.getElementById("news");
  if (!order || !news) return;
  const newer = news.querySelector(".newer");

  const say = (where, text) => {
    if (where.textContent !== text) where.textContent = text; // said again it would be read out again
  };

  // Nothing is taken from under somebody who reads an answer, ticks, has opened something or stands on a button.
  const untouched = () =>
    newer.hidden &&
    order.dataset.stage === "searching" &&
    !order.contains(document.activeElement) &&
    !order.querySelector(":checked, details[open]");

  const renew = (fresh) => {
    for (const one of order.querySelectorAll("[data-part]")) {
      if (one.contains(document.activeElement)) continue;
      const now = fresh.querySelector(`[data-part="${one.dataset.part}"]`);
      one.hidden = !now;
      if (now && one.innerHTML !== now.innerHTML) one.replaceChildren(...now.childNodes);
    }
  };

  const show = (fresh) => {
    const foot = fresh.ownerDocument.querySelector("body > footer");
    if (foot && !document.querySelector("body > footer")) document.body.append(foot);
    order.replaceChildren(...fresh.childNodes);
    order.dataset.stage = fresh.dataset.stage;
    say(news.querySelector(".unseen"), fresh.dataset.news);
  };

  const take = (fresh) => {
    if (fresh.dataset.stage === order.dataset.stage) return renew(fresh);
    if (untouched()) return show(fresh);
    renew(fresh);
    say(newer.querySelector("p"), fresh.dataset.news);
    newer.hidden = false;
  };

  let looking = false;
  const look = async () => {
    if (looking || document.hidden) return;
    looking = true;
    try {
      const answer = await fetch(order.dataset.watch, { signal: AbortSignal.timeout(30000) });
      const fresh = answer.ok && new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("order");
      if (!fresh) return;
      take(fresh);
      order.dataset.every = fresh.dataset.every ?? "";
    } catch {
      // No line to the service: what is shown stays, and the next look may find it.
    } finally {
      looking = false;
    }
  };

  let timer;
  const turn = async () => {
    clearTimeout(timer);
    if (!order.dataset.every) return; // it is over
    await look();
    wait();
  };
  const wait = () => {
    clearTimeout(timer);
    if (order.dataset.every) timer = setTimeout(turn, Number(order.dataset.every) * 1000);
  };
  document.addEventListener("visibilitychange", turn);
  wait();
})();
