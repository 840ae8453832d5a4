/* Log forms when the network drops: what was sent is kept in this browser, each with its own key, and sent again
   until the server has answered. The key makes a repeat harmless. Without this script the forms work as they are.
   Each stands in a place of its own in the store: two tabs that write at one moment lose nothing of each other. */
"use strict";
(() => {
  const words = document.getElementById("waiting");
  if (!words || !window.fetch || !window.localStorage) return;
  const NAME = "stillkeep-waiting";
  const OF = `${NAME}:`;
  const MENDS = "#kept-";
  const BEGUN = "begun:";
  const WAIT_MS = 12000;
  const AGAIN_MS = 20000;
  const say = words.dataset;
  const person = say.person;
  const list = words.querySelector("ul");
  const sent = document.getElementById("sent");
  let busy = false;
  let strangers = false;

  const read = (id) => { try { return JSON.parse(localStorage.getItem(OF + id)); } catch { return null; } };
  const keep = (entry) => localStorage.setItem(OF + entry.id, JSON.stringify(entry));
  const change = (id, more) => { const entry = read(id); if (entry) keep({ ...entry, ...more }); };
  const drop = (id) => localStorage.removeItem(OF + id);
  const kept = () => Object.keys(localStorage).filter((name) => name.startsWith(OF)).map((name) => read(name.slice(OF.length)))
    .filter(Boolean).sort((a, b) => (a.at === b.at ? (a.id < b.id ? -1 : 1) : (a.at < b.at ? -1 : 1)));
  const cookie = (name) => document.cookie.split("; ").find((c) => c.startsWith(`${name}=`))?.slice(name.length + 1) || "";
  const fresh = () => (crypto.randomUUID ? crypto.randomUUID() : "10000000-1000-4000-8000-100000000000".replace(/[018]/g,
    (c) => (c ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (c / 4)))).toString(16)));
  const told = (entry, name) => entry.told.find((pair) => pair[0] === name)?.[1];
  const lab = (entry) => new URL(entry.to).pathname.split("/")[2];

  /* Forms that an earlier version of this script kept in one place. */
  try {
    (JSON.parse(localStorage.getItem(NAME)) || []).forEach(keep);
    localStorage.removeItem(NAME);
  } catch { /* Unreadable: it stays where it is. */ }

  const answered = (answer) => answer.headers.has("X-Request-ID");
  const send = async (entry) => {
    // Without it nobody is signed in here, and the server would refuse what is only early.
    if (!cookie("csrftoken")) { strangers = true; throw new Error("signed out"); }
    const stop = new AbortController();
    const clock = setTimeout(() => stop.abort(), WAIT_MS);
    try {
      const answer = await fetch(entry.to, {
        method: "POST", body: new URLSearchParams(entry.told), credentials: "same-origin", signal: stop.signal,
        headers: {
          "X-CSRFToken": cookie("csrftoken"), "X-Kept-Form": "1", "X-Kept-By": entry.person,
          "Content-Type": "application/x-www-form-urlencoded",
        },
      });
      strangers = answer.status === 401 || (answer.redirected && new URL(answer.url).pathname === "/login/");
      // Only this server refuses: what stands in between may answer anything.
      const again = strangers || !answered(answer) || answer.status === 429 || answer.status >= 500;
      if (answer.status === 204 && answered(answer)) return { done: true, leads: answer.headers.get("X-Go-To") };
      return again ? { later: true, fault: answer.status === 500 } : { text: await answer.text() };
    } finally { clearTimeout(clock); }
  };

  /* What rests on something that was refused waits for it: solvent for a run that is not there, the close of a run. */
  const held = (entry, entries) => entries.some((other) => other.refused && other.person === entry.person && other.id !== entry.id
    && other.at <= entry.at && ((entry.last && lab(other) === lab(entry)) || entry.told.some((pair) => pair[1] === BEGUN + told(other, "key"))));

  const piece = (kind, text, more = {}) => Object.assign(document.createElement(kind), { textContent: text }, more);
  const state = (entry, entries) => {
    if (entry.refused) return entry.refused;
    if (entry.person !== person) return say.other;
    return held(entry, entries) ? say.held : say.unsent;
  };
  const line = (entry, entries) => {
    const item = document.createElement("li");
    const when = piece("time", new Date(entry.at).toLocaleString(document.documentElement.lang), { dateTime: entry.at });
    item.append(piece("strong", entry.words), " ", when, " ", piece("span", state(entry, entries)));
    if (entry.person === person && entry.typed?.length) {
      item.append(piece("p", entry.typed.map((pair) => pair.join(": ")).join(" · "), { className: "faint" }));
    }
    if (entry.refused && entry.person === person) {
      const forget = piece("button", say.forget, { type: "button", className: "quiet" });
      forget.addEventListener("click", () => { if (window.confirm(say.sure)) { drop(entry.id); show(); oneTab(); } });
      const open = piece("a", say.mend, { href: entry.to + MENDS + entry.id, className: "tap" });
      item.append(" ", open, " ", forget);
    }
    return item;
  };
  const show = () => {
    const entries = kept();
    words.hidden = entries.length === 0;
    words.querySelector("[data-away]").hidden = strangers;
    words.querySelector("[data-strangers]").hidden = !strangers;
    list.replaceChildren(...entries.map((entry) => line(entry, entries)));
    offer(entries);
  };

  /* A run that waits to be opened may be drawn for: the server finds it by the key of its form. */
  const offer = (entries) => document.querySelectorAll("select[data-begun]").forEach((choice) => {
    entries.filter((e) => e.begins && e.person === person).forEach((entry) => {
      const value = BEGUN + told(entry, "key");
      if ([...choice.options].some((option) => option.value === value)) return;
      choice.prepend(piece("option", `${told(entry, "purpose")} · ${choice.dataset.begun}`, { value }));
    });
  });

  /* Whichever tab sends it, each open one of that person says so: what waited there does not vanish without a word. */
  const tabs = window.BroadcastChannel && new BroadcastChannel(NAME);
  const tell = (what, leads) => {
    const item = piece("p", `${say.sent} `);
    item.append(leads ? piece("a", what, { href: leads, className: "tap" }) : what);
    sent.append(item);
    sent.hidden = false;
  };
  const tellAll = (entry, leads) => {
    tell(entry.words, leads);
    tabs?.postMessage({ person, words: entry.words, leads });
  };
  tabs?.addEventListener("message", ({ data }) => { if (data.person === person) { show(); tell(data.words, data.leads); } });

  const refusal = (text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const named = page.querySelectorAll(".errorlist li, .fault p:not(.next)");
    const faults = [...(named.length ? named : page.querySelectorAll("main p"))].map((e) => e.textContent.trim());
    return faults.filter(Boolean).slice(0, 4).join(" ") || say.refused;
  };

  const flush = async () => {
    if (busy) return;
    busy = true;
    try {
      for (const { id } of kept()) {
        const entry = read(id);
        if (!entry || entry.refused || entry.person !== person || held(entry, kept())) continue;
        let answer;
        try { answer = await send(entry); } catch { break; }
        if (answer.done) { drop(id); tellAll(entry, answer.leads); }
        else if (!answer.later) change(id, { refused: refusal(answer.text) });
        else if (!answer.fault) break;
      }
    } finally { busy = false; show(); }
  };
  const oneTab = () => (navigator.locks ? navigator.locks.request(NAME, { ifAvailable: true }, (lock) => lock && flush()) : flush());

  const awake = (form) => form.querySelectorAll("button").forEach((b) => { b.disabled = false; });
  const renew = (form) => {
    form.reset();
    form.querySelector("[name=key]").value = fresh();
    delete form.dataset.mends;
    delete form.dataset.at;
    awake(form);
  };
  const waits = (form) => { renew(form); show(); words.focus(); };

  const swap = (text, entry) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const theirs = page.querySelector("main");
    if (!theirs) return;
    document.querySelector("main").replaceWith(theirs);
    const form = entry && its(entry);
    if (form) Object.assign(form.dataset, { mends: entry.id, at: entry.at });
    (theirs.querySelector('[aria-invalid="true"], .fault') || theirs).focus?.();
    theirs.querySelector(".fault")?.scrollIntoView({ block: "nearest" });
    show();
  };

  const target = (form) => { const to = new URL(form.action); to.hash = ""; return to.href; };
  const typed = (form) => [...form.elements].flatMap((field) => {
    const off = !field.name || !field.labels?.length || ((field.type === "checkbox" || field.type === "radio") && !field.checked);
    const value = field.type === "checkbox" ? "✓" : [...(field.selectedOptions || [])].map((o) => o.textContent.trim()).join(", ") || field.value;
    return off || !value ? [] : [[field.labels[0].childNodes[0].textContent.trim(), value]];
  });

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-queue]")) return;
    event.preventDefault();
    const at = form.dataset.at || new Date().toISOString();
    const mends = form.dataset.mends;
    const fields = [...new FormData(form)].filter(([name, value]) => name !== "csrfmiddlewaretoken" && typeof value === "string");
    const entry = {
      id: mends || fresh(), to: target(form), words: form.dataset.queue, person, at, told: [...fields, ["tapped_at", at]],
      typed: typed(form), begins: form.dataset.begins !== undefined, last: form.dataset.last !== undefined,
    };
    try { keep(entry); } catch { window.alert(say.full); return; }
    form.querySelectorAll("button").forEach((b) => { b.disabled = true; });
    // First come, first sent: what waits already goes before.
    if (kept().some((e) => e.person === person && !e.refused && e.id !== entry.id && e.at < at) || held(entry, kept())) {
      waits(form);
      oneTab();
      return;
    }
    let answer;
    try { answer = await send(entry); } catch { waits(form); return; }
    if (answer.later) { waits(form); return; }
    if (answer.done) {
      drop(entry.id);
      if (answer.leads) window.location.assign(answer.leads); else window.location.reload();
      return;
    }
    if (mends) change(entry.id, { refused: refusal(answer.text) }); else drop(entry.id);
    swap(answer.text, mends && entry);
  });

  /* Mending what was refused: the form as it was typed, with its key and the time of the tap. */
  const its = (entry) => [...document.querySelectorAll("form[data-queue]")].find((form) => target(form) === entry.to
    && (told(entry, "deed") === undefined || form.elements.deed?.value === told(entry, "deed")));
  const fill = (entry) => {
    const form = its(entry);
    if (!form) return;
    for (const field of form.elements) {
      if (!field.name || field.type === "submit" || field.name === "csrfmiddlewaretoken") continue;
      const values = entry.told.filter((pair) => pair[0] === field.name).map((pair) => pair[1]);
      if (field.type === "checkbox" || field.type === "radio") field.checked = values.includes(field.value);
      else if (field.multiple) for (const option of field.options) option.selected = values.includes(option.value);
      else if (values.length && (!field.options || [...field.options].some((o) => o.value === values[0]))) field.value = values[0];
      if (values[0] && field.type !== "hidden") { const fold = field.closest("details"); if (fold) fold.open = true; }
    }
    Object.assign(form.dataset, { mends: entry.id, at: entry.at });
    form.scrollIntoView({ block: "start" });
  };

  window.addEventListener("online", oneTab);
  window.addEventListener("storage", (e) => { if (e.key === null || e.key.startsWith(OF)) show(); });
  words.querySelector("[data-send]").addEventListener("click", oneTab);
  window.setInterval(() => { if (kept().some((e) => !e.refused && e.person === person)) oneTab(); }, AGAIN_MS);
  show();
  const asked = window.location.hash.startsWith(MENDS) && read(window.location.hash.slice(MENDS.length));
  if (asked && asked.person === person) fill(asked);
  window.addEventListener("hashchange", () => {
    const other = window.location.hash.startsWith(MENDS) && read(window.location.hash.slice(MENDS.length));
    if (other && other.person === person) fill(other);
  });
  oneTab();
})();
