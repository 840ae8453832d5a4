/* Log forms when the network drops: what was sent is kept in this browser, each with its own key, and sent again
   until the server has answered. The key makes a repeat harmless. Without this script the forms work as they are. */
"use strict";
(() => {
  const words = document.getElementById("waiting");
  if (!words || !window.fetch || !window.localStorage) return;
  const NAME = "stillkeep-waiting";
  const WAIT_MS = 12000;
  const AGAIN_MS = 20000;
  const person = words.dataset.person;
  const list = words.querySelector("ul");
  let busy = false;

  const kept = () => {
    try { return JSON.parse(localStorage.getItem(NAME)) || []; } catch { return []; }
  };
  const keep = (entries) => localStorage.setItem(NAME, JSON.stringify(entries));
  const change = (id, more) => keep(kept().map((e) => (e.id === id ? { ...e, ...more } : e)));
  const drop = (id) => keep(kept().filter((e) => e.id !== id));
  const cookie = (name) => document.cookie.split("; ").find((c) => c.startsWith(`${name}=`))?.slice(name.length + 1) || "";
  const fresh = () => (crypto.randomUUID ? crypto.randomUUID() : "10000000-1000-4000-8000-100000000000".replace(/[018]/g,
    (c) => (c ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (c / 4)))).toString(16)));

  const send = async (entry) => {
    // Without it nobody is signed in here, and the server would refuse what is only early.
    if (!cookie("csrftoken")) throw new Error("signed out");
    const body = new URLSearchParams(entry.told);
    const stop = new AbortController();
    const clock = setTimeout(() => stop.abort(), WAIT_MS);
    try {
      return await fetch(entry.to, {
        method: "POST", body, credentials: "same-origin", signal: stop.signal,
        headers: { "X-CSRFToken": cookie("csrftoken"), "X-Kept-Form": "1", "Content-Type": "application/x-www-form-urlencoded" },
      });
    } finally { clearTimeout(clock); }
  };
  const signedOut = (answer) => answer.redirected && new URL(answer.url).pathname === "/login/";
  const done = (answer) => answer.status === 204;
  const later = (answer) => signedOut(answer) || answer.status === 429 || answer.status >= 500;

  const show = () => {
    const entries = kept();
    words.hidden = entries.length === 0;
    list.replaceChildren(...entries.map((entry) => {
      const item = document.createElement("li");
      const name = document.createElement("strong");
      name.textContent = entry.words;
      const when = document.createElement("time");
      when.dateTime = entry.at;
      when.textContent = new Date(entry.at).toLocaleString(document.documentElement.lang);
      const state = document.createElement("span");
      state.textContent = entry.refused || (entry.person === person ? words.dataset.unsent : words.dataset.other);
      item.append(name, " ", when, " ", state);
      if (entry.refused) {
        const forget = document.createElement("button");
        forget.type = "button";
        forget.className = "quiet";
        forget.textContent = words.dataset.forget;
        forget.addEventListener("click", () => {
          if (window.confirm(words.dataset.sure)) { drop(entry.id); show(); }
        });
        const open = document.createElement("a");
        open.href = entry.to;
        open.textContent = words.dataset.mend;
        item.append(" ", open, " ", forget);
      }
      return item;
    }));
  };

  const refusal = (text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const faults = [...page.querySelectorAll(".errorlist li, .fault p, main p")].map((e) => e.textContent.trim());
    return faults.filter(Boolean).slice(0, 3).join(" ") || words.dataset.refused;
  };

  const flush = async () => {
    if (busy) return;
    busy = true;
    try {
      for (const entry of kept()) {
        if (entry.refused || entry.person !== person) continue;
        let answer;
        try { answer = await send(entry); } catch { break; }
        if (done(answer)) drop(entry.id);
        else if (later(answer)) break;
        else change(entry.id, { refused: refusal(await answer.text()) });
      }
    } finally { busy = false; show(); }
  };
  const oneTab = () => (navigator.locks ? navigator.locks.request(NAME, { ifAvailable: true }, (lock) => lock && flush()) : flush());

  const renew = (form) => {
    form.reset();
    form.querySelector("[name=key]").value = fresh();
    form.querySelectorAll("button").forEach((b) => { b.disabled = false; });
  };

  const swap = (form, text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const theirs = page.querySelector("main");
    if (!theirs) return;
    document.querySelector("main").replaceWith(theirs);
    (theirs.querySelector('[aria-invalid="true"], .fault') || theirs).focus?.();
    theirs.querySelector(".fault")?.scrollIntoView({ block: "nearest" });
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-queue]")) return;
    event.preventDefault();
    const button = event.submitter;
    if (button) button.disabled = true;
    const told = [...new FormData(form)].filter(([name, value]) => name !== "csrfmiddlewaretoken" && typeof value === "string");
    const at = new Date().toISOString();
    if (form.dataset.tapped !== undefined) told.push(["tapped_at", at]);
    const entry = { id: fresh(), to: form.action, words: form.dataset.queue, person, at, told };
    keep([...kept(), entry]);
    let answer;
    try { answer = await send(entry); } catch { renew(form); show(); words.focus(); return; }
    if (done(answer)) { drop(entry.id); window.location.assign(answer.headers.get("X-Go-To")); return; }
    if (later(answer)) { renew(form); show(); words.focus(); return; }
    drop(entry.id);
    swap(form, await answer.text());
  });

  window.addEventListener("online", oneTab);
  window.addEventListener("storage", (e) => { if (e.key === NAME) show(); });
  words.querySelector("[data-send]").addEventListener("click", oneTab);
  window.setInterval(() => { if (kept().some((e) => !e.refused)) oneTab(); }, AGAIN_MS);
  show();
  oneTab();
})();
