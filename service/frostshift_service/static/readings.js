// Keeps readings on this phone while there is no network, says at once what they mean, and sends them when it is back.
// Without it every form sends one reading and shows the answer on the next page.
"use strict";

(() => {
  const PREFIX = "frostshift reading ";
  const COLD = "frostshift cold ";
  const BY = "frostshift read by ";
  const AGAIN_MS = 15000;
  const AT_ONCE = 50; // readings in one post: well below what one may hold
  const HOUR_MS = 3600000;
  const forms = [...document.querySelectorAll("form.reading-form")];
  const outlets = [...document.querySelectorAll(".kept-outlet")]; // of pages that show and send what no form here is for
  const senders = [...forms, ...outlets];
  if (!senders.length || !window.fetch || !window.crypto) return;

  // Every reading has a place of its own in the store, so that two open pages never write over each other's.
  const isOutlet = (sender) => outlets.includes(sender);
  let store;
  try {
    store = window.localStorage;
    store.setItem("frostshift try", "1");
    store.removeItem("frostshift try");
  } catch {
    return; // nothing can be kept here: the forms work as they are
  }

  // The name of a queue outlives a link: what one that was ended could not send goes by the next one of its crew.
  const queueOf = (form) => encodeURIComponent(form.dataset.store);
  const place = (queue, key) => `${PREFIX}${queue} ${key}`;
  const keptFor = (queue) => {
    const found = [];
    for (let n = 0; n < store.length; n += 1) {
      const name = store.key(n);
      if (name && name.startsWith(`${PREFIX}${queue} `)) {
        try {
          found.push(JSON.parse(store.getItem(name)));
        } catch {
          // Half a reading cannot be written here; what is no reading is left alone.
        }
      }
    }
    return found.filter((one) => one && one.entry).sort((a, b) => a.pressed - b.pressed);
  };
  const keep = (one) => store.setItem(place(one.queue, one.entry.entry_key), JSON.stringify(one));
  const forget = (one) => store.removeItem(place(one.queue, one.entry.entry_key));
  const newKey = () =>
    [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

  const steelOf = (one) => (one.unit === "F" ? (one.figure - 32) / 1.8 : one.figure);

  // Cold steel before any heat raises the minimum of its joint, on every page that was loaded before: each such reading
  // leaves a note, which outlasts its sending.
  const coldPlace = (site, mark) => `${COLD}${encodeURIComponent(site)} ${encodeURIComponent(mark)} `;
  const coldPlaceOf = (one) => coldPlace(one.site, one.entry.mark) + one.entry.entry_key;
  const noteCold = (form, one) => {
    const { stage, sense } = one.entry;
    if (stage === "before_heat" && sense !== "at_least" && steelOf(one) < Number(form.dataset.coldBelowC)) {
      store.setItem(coldPlaceOf(one), String(one.pressed));
    }
  };
  const namesOf = (start) => Object.keys(store).filter((name) => name.startsWith(start));
  const wasCold = (form) => {
    const oldest = Date.now() - Number(form.dataset.coldCountsH) * HOUR_MS;
    return namesOf(coldPlace(form.dataset.site, form.dataset.mark)).some((name) => Number(store.getItem(name)) >= oldest);
  };
  const why = (form, one) => {
    const asked = JSON.parse(wasCold(form) ? form.dataset.onceCold : form.dataset.asked);
    return readingCheck(steelOf(one), one.entry.sense, ...asked);
  };

  for (const name of namesOf(COLD)) {
    if (!(Number(store.getItem(name)) >= Date.now() - 720 * HOUR_MS)) store.removeItem(name);
  }

  // Date and clock of the site, wherever the phone believes to be: 2026-01-15 06:10.
  const siteClock = (zone, ms) => {
    const date = { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit" };
    const parts = new Intl.DateTimeFormat("en-US", { timeZone: zone, hourCycle: "h23", ...date }).formatToParts(ms);
    const { year, month, day, hour, minute } = Object.fromEntries(parts.map((one) => [one.type, one.value]));
    return `${year}-${month}-${day} ${hour}:${minute}`;
  };
  const msOf = (clock) => Date.parse(`${clock.replace(" ", "T")}:00Z`); // for differences alone

  // What stands in the form as a reading to keep, or a sentence that says what is wrong.
  const read = (form) => {
    const field = (name) => String(new FormData(form).get(name) || "").trim();
    const typed = field("value").replace("\u2212", "-");
    if (!/^[+-]?\d{1,4}(\.\d{1,3})?$/.test(typed)) return `Steel temperature: "${field("value")}" is no number.`;
    const unit = field("unit");
    const stage = field("stage");
    const value = Number(typed);
    const celsius = unit === "F" ? (value - 32) / 1.8 : value;
    const { lowC, highC } = form.querySelector("[name=stage]:checked").dataset;
    const [low, high] = [Number(lowC), Number(highC)];
    if (!(celsius >= low - 1e-6 && celsius <= high + 1e-6)) {
      const [least, most] = unit === "F" ? [low * 1.8 + 32, high * 1.8 + 32] : [low, high];
      const when = stage === "before_heat" ? " before any heat" : "";
      return `Steel temperature: ${typed} °${unit} is outside ${least} to ${most} °${unit}${when}.`;
    }
    const pass = field("pass_no");
    if (pass && (!/^\d{1,3}$/.test(pass) || Number(pass) < 1)) return `Pass: "${pass}" is no number of a pass.`;
    if (pass && stage !== "between_passes") return "Pass: leave it empty where the reading is not between passes.";
    let pressed = Date.now();
    const at = field("at");
    let atLocal;
    if (at) {
      const now = siteClock(form.dataset.zone, pressed);
      const clock = /^\d{2}:\d{2}$/.test(at);
      atLocal = clock ? `${now.slice(0, 10)} ${at}` : at.replace("T", " ");
      let ahead = msOf(atLocal) - msOf(now);
      const known = /^\d{4}-\d{2}-\d{2} \d{2}:\d{2}$/.test(atLocal) && !Number.isNaN(ahead);
      if (!known) return `Measured at: "${at}" is no time such as 06:10 or 2026-01-15 06:10, by the clock of the site.`;
      if (clock && ahead > HOUR_MS / 12) {
        ahead -= 24 * HOUR_MS; // of before midnight
        atLocal = `${new Date(msOf(atLocal) - 24 * HOUR_MS).toISOString().slice(0, 10)} ${at}`;
      }
      if (ahead > HOUR_MS / 12) return `Measured at: ${at} lies ahead.`;
      const oldest = Number(form.dataset.oldestH);
      if (-ahead > oldest * HOUR_MS) return `Measured at: ${at} is more than ${oldest / 24} days ago.`;
      pressed += Math.min(0, ahead);
    }
    const { instrument, sense } = form.elements.namedItem("tool").selectedOptions[0].dataset;
    const entry = { mark: form.dataset.mark, stage, sense, entry_key: newKey() };
    entry[unit === "F" ? "steel_f" : "steel_c"] = value;
    const texts = {
      instrument: instrument || field("instrument"),
      point: [field("point"), field("point_more")].filter(Boolean).join(", "),
      by: field("by") || form.dataset.by, // now, not when it is sent: somebody else may be signed in by then
      note: field("note"),
    };
    for (const [name, text] of Object.entries(texts)) if (text) entry[name] = text;
    if (pass) entry.pass_no = Number(pass);
    if (atLocal) entry.at_local = atLocal;
    return { queue: queueOf(form), site: form.dataset.site, entry, figure: value, unit, pressed, state: "kept", said: "" };
  };

  // Showing -----------------------------------------------------------------------------------------------------------

  const told = new Map(); // entry key -> what the service said, for those that were sent from this page
  const cloneOf = (form, choice) => form.querySelector(`template[${choice}]`)?.content.cloneNode(true) ?? "";
  const textIn = (tag, name, text) => {
    const element = document.createElement(tag);
    element.className = name;
    element.textContent = text;
    return element;
  };

  // What the service said, in its own words and figures: the page may be older than its plan.
  const saidByService = (form, { code, shape, text, detail }) => {
    const word = textIn("span", `verdict ${code}`, "");
    word.append(cloneOf(form, `data-shape="${shape}"`), textIn("strong", "", text));
    return [word, " ", textIn("span", "verdict-why", detail)];
  };
  const saidByPage = (form, which) => cloneOf(form, `data-why${wasCold(form) ? "-once-cold" : ""}="${which}"`);

  // How it stands with a reading, and the button that removes one that was refused.
  const stateOf = (one) => {
    const state = textIn(
      "span",
      "state",
      {
        kept: "Kept on this phone, not sent yet.",
        sent: "Sent and written down.",
        refused: `Not taken: ${one.said}`,
      }[one.state],
    );
    if (one.state !== "refused") return [state];
    const button = textIn("button", "", "Remove it");
    button.type = "button";
    button.addEventListener("click", () => {
      forget(one);
      store.removeItem(coldPlaceOf(one));
      show();
    });
    return [state, button];
  };

  // `06:10 at the site`, with the date where it is another day there.
  const localTime = (zone, ms) => {
    const [then, now] = [siteClock(zone, ms), siteClock(zone, Date.now())];
    return `${then.slice(0, 10) === now.slice(0, 10) ? then.slice(11) : then} at the site`;
  };

  const line = (form, one) => {
    const item = document.createElement("li");
    const says = { at_least: "at least ", below: "below ", measured: "" }[one.entry.sense];
    const head = document.createElement("span");
    head.textContent = `${says}${one.figure} °${one.unit}, ${localTime(form.dataset.zone, one.pressed)}`;
    if (isOutlet(form)) head.textContent = `${one.entry.mark}: ${head.textContent}`;
    item.append(head);
    if (isOutlet(form)) {
      // What is asked of its joint stands on the joint's page; here it is what the service said, once it has.
      item.append(...(one.verdict ? saidByService(form, one.verdict) : []), ...stateOf(one));
      return item;
    }
    const meaning = document.createElement("p");
    const found = why(form, one);
    if (one.verdict) {
      meaning.append(...saidByService(form, one.verdict));
      if (found === "below" && one.verdict.code !== "below_minimum" && wasCold(form)) {
        meaning.append(textIn("span", "small strong", "By what is asked now: "), saidByPage(form, found));
      }
    } else {
      const asOf = textIn("span", "small", `By what was asked ${form.dataset.askedAt}.`);
      meaning.append(saidByPage(form, found), " ", asOf);
    }
    item.append(meaning);
    item.append(...stateOf(one));
    return item;
  };

  let trouble = "";
  const show = () => {
    for (const form of senders) {
      const queue = queueOf(form);
      const all = keptFor(queue);
      const marks = forms.filter((one) => queueOf(one) === queue).map((one) => one.dataset.mark);
      const isHere = ({ entry: { mark } }) =>
        isOutlet(form) ? !marks.includes(mark) : mark === form.dataset.mark;
      const here = all.filter(isHere);
      const sent = [...told.values()].filter((one) => one.queue === queue && isHere(one));
      const box = isOutlet(form) ? form : form.querySelector(".kept-here");
      const waiting = all.filter((one) => one.state === "kept").length;
      const others = namesOf(PREFIX).filter((name) => !name.startsWith(`${PREFIX}${queue} `)).length;
      const more = isOutlet(form) && forms.length ? 0 : waiting + others; // a form of the page says it already
      box.hidden = !here.length && !sent.length && !more;
      const count = waiting ? `Kept on this phone, not sent yet (${waiting}). ${trouble}` : "Everything is sent.";
      box.querySelector(".kept-others").textContent = others
        ? `From other pages or accounts on this phone: ${others} kept. Each is sent once its page is open again by whoever kept it.`
        : "";
      box.querySelector(".kept-count").textContent = count;
      const rows = [...sent, ...here].sort((a, b) => b.pressed - a.pressed);
      box.querySelector("ul").replaceChildren(...rows.map((one) => line(form, one)));
    }
  };

  // Sending -----------------------------------------------------------------------------------------------------------

  let sending = false;
  const send = async () => {
    if (sending) return;
    sending = true;
    try {
      for (const form of new Map(senders.map((one) => [queueOf(one), one])).values()) {
        await sendQueue(queueOf(form), form.dataset.queue);
      }
    } finally {
      sending = false;
      show();
    }
  };

  // A typed time is of the site's clock; else how long ago the button was pressed, whatever the phone's clock says.
  const sentAs = ({ entry, pressed }) =>
    entry.at_local ? entry : { ...entry, age_s: Math.max(0, (Date.now() - pressed) / 1000) };

  const sendQueue = async (queue, address, most = AT_ONCE) => {
    const waiting = keptFor(queue).filter((one) => one.state === "kept").slice(0, most);
    if (!waiting.length) return;
    const body = waiting.map(sentAs);
    let answer;
    let results;
    try {
      answer = await fetch(address, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify(body),
      });
      const text = await answer.text();
      results = answer.headers.get("Content-Type")?.includes("json") ? JSON.parse(text).results : undefined;
    } catch {
      trouble = ""; // no network, or an answer that broke off: they stay, and sent again they are the same readings
      return;
    }
    if (!Array.isArray(results) && [413, 422].includes(answer.status)) {
      // The post as a whole was not taken: in halves, until the one that it is about stands alone.
      if (waiting.length > 1) {
        await sendQueue(queue, address, Math.ceil(waiting.length / 2));
      } else {
        keep({ ...waiting[0], state: "refused", said: `the service cannot take it in (${answer.status}).` });
        await sendQueue(queue, address);
      }
      return;
    }
    if (!Array.isArray(results)) {
      trouble = [401, 403, 404].includes(answer.status)
        ? "This page is not known any more: sign in, or ask for a new code. Nothing here is lost."
        : "The service could not take them; it is asked again.";
      return;
    }
    trouble = "";
    results.forEach((result, n) => {
      const one = waiting[n];
      if (!one) return;
      if (result.state === "kept") {
        told.set(one.entry.entry_key, { ...one, state: "sent", verdict: result.verdict });
        forget(one);
      } else {
        keep({ ...one, state: "refused", said: result.problems.map((problem) => problem.message).join(". ") });
      }
    });
    if (waiting.length === most && results.length === most) await sendQueue(queue, address, most);
  };

  for (const form of forms) {
    const by = form.elements.namedItem("by");
    if (!by.value) by.value = store.getItem(BY + queueOf(form)) || "";
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      form.querySelector(".wrong")?.remove();
      const one = read(form);
      if (typeof one === "string") {
        const wrong = document.createElement("p");
        wrong.className = "wrong";
        wrong.setAttribute("role", "alert");
        wrong.textContent = one;
        form.querySelector("button[type=submit]").before(wrong);
        return;
      }
      try {
        noteCold(form, one);
        keep(one);
      } catch {
        form.submit(); // the phone's store is full: send it as a form does
        return;
      }
      if (one.entry.by) store.setItem(BY + queueOf(form), one.entry.by);
      for (const name of ["value", "pass_no", "at", "note"]) form.elements.namedItem(name).value = "";
      show();
      form.querySelector(".kept-here").scrollIntoView({ block: "nearest" });
      send();
    });
  }
  window.addEventListener("online", send);
  window.addEventListener("storage", show);
  document.addEventListener("visibilitychange", () => document.hidden || send());
  setInterval(send, AGAIN_MS);
  show();
  send();
})();
