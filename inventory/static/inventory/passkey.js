/* Asks the server for a challenge, has the device make or use a passkey (Web Authentication), and sends the
   form with its answer. Without this script or without passkeys in the browser the form stays hidden. */
"use strict";
(() => {
  if (!window.PublicKeyCredential || !navigator.credentials) return;

  const bytes = (text) => {
    const plain = atob(text.replace(/-/g, "+").replace(/_/g, "/"));
    return Uint8Array.from(plain, (letter) => letter.charCodeAt(0));
  };
  const text = (buffer) =>
    btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  const known = (list) => (list || []).map((key) => ({ ...key, id: bytes(key.id) }));

  /* The members that are bytes come as base64url. */
  const wanted = (asked) => {
    const options = { ...asked, challenge: bytes(asked.challenge) };
    if (asked.user) options.user = { ...asked.user, id: bytes(asked.user.id) };
    if (asked.excludeCredentials) options.excludeCredentials = known(asked.excludeCredentials);
    if (asked.allowCredentials) options.allowCredentials = known(asked.allowCredentials);
    return options;
  };

  const PARTS = ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"];
  const told = (made) => {
    const response = {};
    for (const part of PARTS) if (made.response[part]) response[part] = text(made.response[part]);
    return JSON.stringify({ id: made.id, rawId: text(made.rawId), type: made.type, response, clientExtensionResults: {} });
  };

  const ask = async (form) => {
    const reply = await fetch(form.dataset.ask, { method: "POST", body: new FormData(form) });
    const asked = await reply.json();
    if (!reply.ok) return { fault: asked.fault };
    const publicKey = wanted(asked);
    const made = await navigator.credentials[form.dataset.passkey]({ publicKey });
    return { answer: told(made) };
  };

  for (const form of document.querySelectorAll("form[data-passkey]")) {
    const fault = form.querySelector("[role=alert]");
    const button = form.querySelector("button");
    form.hidden = false;
    for (const note of document.querySelectorAll("[data-without-passkeys]")) note.hidden = true;
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (button.disabled) return;
      button.disabled = true;
      const { answer, fault: words } = await ask(form).catch(() => ({ fault: form.dataset.givenUp }));
      button.disabled = false;
      fault.hidden = !words;
      fault.firstElementChild.textContent = words || "";
      if (!answer) return;
      form.elements.answer.value = answer;
      form.submit();
    });
  }
})();
