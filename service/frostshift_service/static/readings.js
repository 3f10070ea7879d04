// Keeps readings on this phone while there is no network, says at once what they mean, and sends them when it is back.
// Without it every form sends one reading and shows the answer on the next page.
"use strict";

(() => {
  const PREFIX = "frostshift reading ";
  const BY = "frostshift read by";
  const AGAIN_MS = 15000;
  const AT_ONCE = 50; // readings in one post: well below what one may hold
  const HOUR_MS = 3600000;
  const forms = [...document.querySelectorAll("form.reading-form")];
  if (!forms.length || !window.fetch || !window.crypto) return;

  // Every reading has a place of its own in the store, so that two open pages never write over each other's.
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

  const figure = (text) => (text === "" || text === undefined ? null : Number(text));
  const why = (form, one) => {
    const steel = one.unit === "F" ? (one.figure - 32) / 1.8 : one.figure;
    const { minimumC, metFromC, maximumC } = form.dataset;
    return readingCheck(steel, one.entry.sense, figure(minimumC), figure(metFromC), figure(maximumC));
  };

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
    if (at) {
      const clock = /^(\d{2}):(\d{2})$/.exec(at);
      const when = clock ? new Date() : new Date(at.replace(" ", "T"));
      if (clock) when.setHours(Number(clock[1]), Number(clock[2]), 0, 0);
      if (Number.isNaN(when.getTime())) return `Measured at: "${at}" is no time such as 06:10.`;
      if (clock && when.getTime() > pressed + HOUR_MS / 12) when.setDate(when.getDate() - 1);
      if (when.getTime() > pressed + HOUR_MS / 12) return `Measured at: ${at} lies ahead.`;
      const oldest = Number(form.dataset.oldestH);
      if (pressed - when.getTime() > oldest * HOUR_MS) return `Measured at: ${at} is more than ${oldest} hours ago.`;
      pressed = Math.min(pressed, when.getTime());
    }
    const { instrument, sense } = form.elements.namedItem("tool").selectedOptions[0].dataset;
    const entry = { mark: form.dataset.mark, stage, sense, entry_key: newKey() };
    entry[unit === "F" ? "steel_f" : "steel_c"] = value;
    const texts = {
      instrument: instrument || field("instrument"),
      point: [field("point"), field("point_more")].filter(Boolean).join(", "),
      by: field("by"),
      note: field("note"),
    };
    for (const [name, text] of Object.entries(texts)) if (text) entry[name] = text;
    if (pass) entry.pass_no = Number(pass);
    return { queue: queueOf(form), entry, figure: value, unit, pressed, state: "kept", said: "" };
  };

  // Showing -----------------------------------------------------------------------------------------------------------

  const told = new Map(); // entry key -> what the service said, for those that were sent from this page
  const line = (form, one) => {
    const item = document.createElement("li");
    const says = { at_least: "at least ", below: "below ", measured: "" }[one.entry.sense];
    const head = document.createElement("span");
    const clock = new Date(one.pressed).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    head.textContent = `${says}${one.figure} °${one.unit}, ${clock}`;
    item.append(head);
    const meaning = document.createElement("p");
    const template = form.querySelector(`template[data-why="${one.verdict ? one.verdict.why : why(form, one)}"]`);
    if (template) meaning.append(template.content.cloneNode(true));
    else if (one.verdict) meaning.textContent = `${one.verdict.text} ${one.verdict.detail}`;
    item.append(meaning);
    const state = document.createElement("span");
    state.className = "state";
    state.textContent = {
      kept: "Kept on this phone, not sent yet.",
      sent: "Sent and written down.",
      refused: `Not taken: ${one.said}`,
    }[one.state];
    item.append(state);
    if (one.state === "refused") {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Remove it";
      button.addEventListener("click", () => {
        forget(one);
        show();
      });
      item.append(button);
    }
    return item;
  };

  let trouble = "";
  const show = () => {
    for (const form of forms) {
      const queue = queueOf(form);
      const all = keptFor(queue);
      const here = all.filter((one) => one.entry.mark === form.dataset.mark);
      const sent = [...told.values()].filter((one) => one.queue === queue && one.entry.mark === form.dataset.mark);
      const box = form.querySelector(".kept-here");
      const waiting = all.filter((one) => one.state === "kept").length;
      box.hidden = !here.length && !sent.length && !waiting;
      const count = waiting ? `Kept on this phone, not sent yet (${waiting}). ${trouble}` : "Everything is sent.";
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
      for (const form of new Map(forms.map((one) => [queueOf(one), one])).values()) {
        await sendQueue(queueOf(form), form.dataset.queue);
      }
    } finally {
      sending = false;
      show();
    }
  };

  const sendQueue = async (queue, address) => {
    const waiting = keptFor(queue).filter((one) => one.state === "kept").slice(0, AT_ONCE);
    if (!waiting.length) return;
    const body = waiting.map((one) => ({ ...one.entry, age_s: Math.max(0, (Date.now() - one.pressed) / 1000) }));
    let answer;
    let results;
    try {
      answer = await fetch(address, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify(body),
      });
      results = (await answer.json()).results;
    } catch {
      trouble = ""; // no network, or an answer that broke off: they stay, and sent again they are the same readings
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
    if (waiting.length === AT_ONCE && results.length === AT_ONCE) await sendQueue(queue, address);
  };

  for (const form of forms) {
    const by = form.elements.namedItem("by");
    if (!by.value) by.value = store.getItem(BY) || "";
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
        keep(one);
      } catch {
        form.submit(); // the phone's store is full: send it as a form does
        return;
      }
      if (one.entry.by) store.setItem(BY, one.entry.by);
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
