// The page works without this. It adds the keypad, redraws the picture as a cut is planned, and keeps what was typed
// while the net is away: a form is sent again until it is answered, and its token makes it one entry.
"use strict";
(() => {
  const UNSENT = "trimfit-unsent", AGAIN_MS = 2000, FILL_MS = [700, 1500, 3000];
  const main = document.getElementById("main"), unsent = document.getElementById("unsent");
  const address = () => location.pathname + location.search;
  let active = null, shown = address();

  // ---- the keypad

  const KEYS = ["7", "8", "9", "⌫", "4", "5", "6", "−", "1", "2", "3", "+", ".", "0", "next"];
  const CROW_KEYS = ["B", "C", "C#", "D"];
  const KEY_WORDS = { "⌫": "take the last sign back", "−": "minus", "+": "plus", ".": "point", "C#": "C sharp" };

  function fieldsOf(form) {
    return [...form.querySelectorAll("input[data-kind]")].filter((one) => one.offsetParent !== null);
  }

  function activate(field) {
    if (active) { active.classList.remove("active"); }
    active = field;
    if (!active) { return; }
    active.classList.add("active");
    const pad = document.querySelector("[data-keypad]");
    if (pad && pad.dataset.kind !== active.dataset.kind) { drawKeypad(pad, active.dataset.kind); }
  }

  function goTo(field) {
    activate(field);
    field.focus({ preventScroll: true });
    const box = field.getBoundingClientRect();
    if (box.top < 0 || box.bottom > innerHeight) { field.scrollIntoView({ block: "center" }); }
  }

  function next() {
    const form = active.form, fields = fieldsOf(form), at = fields.indexOf(active);
    if (at + 1 < fields.length) { goTo(fields[at + 1]); return; }
    const button = form.querySelector("button.main, button:not([type=button])");
    activate(null);
    if (button) { button.focus({ preventScroll: true }); }
  }

  // Hertz have three digits before the point at the bench, and one is read after it; a length begins with nought.
  function typed(text, key, kind) {
    if (key === "⌫") { return text.slice(0, -1); }
    if (key === "−") { key = kind === "crow" || text === "" ? "-" : ""; }
    if (kind === "mm" && text === "" && /\d/.test(key)) { return key === "0" ? "0." : "0." + key; }
    if (kind === "mm" && key === "." && /^0\.\d$/.test(text)) { return text.slice(2) + "."; }
    if (kind === "mm" && key === "." && text.includes(".")) { return text; }
    const whole = kind === "hz" || (kind === "crow" && /^\d/.test(text));
    if (whole && /^\d{3}$/.test(text) && /\d/.test(key)) { return text + "." + key; }
    return text + key;
  }

  function press(key) {
    if (!active) {
      const first = document.querySelector("[data-reading] input[data-kind]");
      if (!first) { return; }
      goTo(first);
    }
    if (key === "next") { next(); return; }
    const kind = active.dataset.kind;
    active.value = typed(active.value, key, kind);
    active.dispatchEvent(new Event("input", { bubbles: true }));
    const full = /^\d{3}\.\d$/.test(active.value) && (kind === "hz" || kind === "crow");
    if (full && key !== "⌫") { next(); }
  }

  function drawKeypad(pad, kind) {
    pad.dataset.kind = kind;
    pad.replaceChildren(...(kind === "crow" ? CROW_KEYS : []).concat(KEYS).map((key) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = key;
      button.tabIndex = -1;
      if (key in KEY_WORDS) { button.setAttribute("aria-label", KEY_WORDS[key]); }
      if (key === "next") { button.className = "word wide"; }
      button.addEventListener("click", () => press(key));
      return button;
    }));
  }

  // ---- the picture

  function gapAfter(fan, mm) {
    for (let i = 0; i + 1 < fan.length; i += 1) {
      const [one, two] = [fan[i], fan[i + 1]];
      if (one[0] <= mm && mm <= two[0]) {
        const share = (mm - one[0]) / (two[0] - one[0]);
        const [a, b] = [one, two].map((at) => 1200 * Math.log2(at[1] / at[2]));
        return a + share * (b - a);
      }
    }
    return null;
  }

  function redraw(field) {
    const svg = document.querySelector("svg.fe"), words = document.querySelector("[data-after]");
    const plan = Number(field.value.replace(",", "."));
    if (!svg || !words || !field.value || !Number.isFinite(plan) || plan < 0) { return; }
    const drawn = JSON.parse(svg.dataset.fe), line = svg.querySelector("[data-plan]");
    const x = Math.min(drawn.left + (drawn.now_mm + plan - drawn.least_mm) * drawn.per_mm, drawn.right);
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
    const gap = gapAfter(drawn.fan, drawn.now_mm + plan);
    const said = gap === null ? "F is past E by then" : `F ${Math.abs(gap).toFixed(0)} cents ${gap > 0 ? "over" : "under"} E`;
    words.textContent = `With ${plan.toFixed(2)} mm more off, at once: ${said}`;
  }

  // ---- forms: sent from here, and sent again until they are answered

  function kept() {
    try { return JSON.parse(localStorage.getItem(UNSENT) || "[]"); } catch { return []; }
  }

  function keep(forms) {
    try { localStorage.setItem(UNSENT, JSON.stringify(forms)); } catch { /* then this page alone remembers */ }
    unsent.hidden = forms.length === 0;
    const what = forms.length === 1 ? "One entry is" : `${forms.length} entries are`;
    unsent.textContent = forms.length ? `${what} not sent yet; trying again. Leave this page open.` : "";
  }

  async function post(form) {
    const body = new URLSearchParams(form.body);
    body.set("waited_s", String(Math.round((Date.now() - form.at_ms) / 1000)));
    return fetch(form.action, { method: "POST", body, headers: { Accept: "text/html" } });
  }

  async function show(response) {
    const text = await response.text();
    const page = new DOMParser().parseFromString(text, "text/html"), found = page.getElementById("main");
    if (!found) { throw new Error(text.slice(0, 300)); }
    main.replaceChildren(...found.childNodes);
    document.title = page.title;
    if (response.redirected) { history.pushState(null, "", response.url); }
    shown = address();
    begin();
    scrollTo(0, 0);
    main.focus({ preventScroll: true });
    const answer = main.querySelector(".wrong, .doubt, .answer .do");
    document.getElementById("said").textContent = answer ? answer.innerText : "";
  }

  // ---- what is still being worked out comes by itself

  let asking = 0, asked = 0;
  function askAgain() {
    clearTimeout(asking);
    if (document.querySelector("[data-again]")) { asking = setTimeout(fillIn, FILL_MS[Math.min(asked++, 2)]); }
  }

  async function fillIn() {
    const part = document.querySelector("[data-again]");
    if (!part) { return; }
    try {
      const response = await fetch(location.href, { headers: { Accept: "text/html" } });
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      const found = page.getElementById(part.id), whole = page.getElementById("main");
      if (!part.isConnected) { return; }  // another page was opened meanwhile
      if (found && found.parentElement.id === "main") {
        keepingFocus(() => part.replaceWith(found));
      } else if (whole && !found?.hasAttribute("data-again")) {
        const asked = main.querySelectorAll(".wrong, .doubt");  // what was sent is still to be answered
        keepingFocus(() => { main.replaceChildren(...whole.childNodes); begin(); });
        main.querySelector("header")?.after(...asked);
        document.title = page.title;
      }
    } catch { /* the net is away: the next time */ }
    askAgain();
  }

  // What was typed stays where it was, and so does the place on the page; the element with the focus is the new one.
  function keepingFocus(change) {
    const typed = [...document.querySelectorAll("[data-reading] input:not([type=hidden])")];
    const values = typed.map((field) => [field.name, field.value]);
    const open = [...document.querySelectorAll("#list details")].some((one) => one.open);
    const focus = document.activeElement, at = active && active.name;
    const href = focus?.getAttribute("href"), name = focus?.name;
    change();
    const form = document.querySelector("[data-reading]");
    if (form) {
      for (const [key, value] of values) { if (value) { form.elements[key].value = value; } }
      if (at && form.elements[at]) { activate(form.elements[at]); }
    }
    if (open) { document.querySelectorAll("#list details").forEach((one) => { one.open = true; }); }
    if (document.activeElement !== document.body) { return; }
    const again = name ? form?.elements[name]
      : href ? [...document.querySelectorAll("main a")].find((one) => one.getAttribute("href") === href) : null;
    again?.focus({ preventScroll: true });
  }

  async function send(form) {
    keep([...kept().filter((one) => one.token !== form.token), form]);
    let response;
    try {
      response = await post(form);
    } catch {
      setTimeout(sendKept, AGAIN_MS);
      return;
    }
    keep(kept().filter((one) => one.token !== form.token));
    try {
      await show(response);
    } catch (error) {
      unsent.hidden = false;
      unsent.textContent = `Not logged: ${error.message}`;
    }
  }

  let sending = false;
  async function sendKept() {
    if (sending) { return; }
    sending = true;
    const forms = kept();
    keep(forms);
    try {
      for (const form of forms) {
        const response = await post(form);
        keep(kept().filter((one) => one.token !== form.token));
        await show(response);
      }
    } catch {
      setTimeout(sendKept, AGAIN_MS);
    }
    sending = false;
  }

  document.addEventListener("submit", (event) => {
    const form = event.target, token = form.querySelector("[name=token]");
    if (form.method !== "post" || !token) { return; }
    event.preventDefault();
    if (form.dataset.sent) { return; }
    form.dataset.sent = "yes";
    const data = new FormData(form, event.submitter);
    send({ action: form.action, token: token.value, at_ms: Date.now(), body: new URLSearchParams(data).toString() });
  });

  // ---- each page anew

  function begin() {
    activate(null);
    for (const button of document.querySelectorAll("[data-print]")) { button.hidden = false; }
    asked = 0;
    askAgain();
    const pad = document.querySelector("[data-keypad]");
    if (!pad) { return; }
    pad.hidden = false;
    for (const form of document.querySelectorAll("form.look")) { form.hidden = true; }  // the picture follows the keys
    drawKeypad(pad, "hz");
    for (const field of document.querySelectorAll("input[data-kind]")) {
      if (matchMedia("(pointer: coarse)").matches) { field.inputMode = "none"; }
    }
    const first = document.querySelector("[data-reading] input[data-kind]");
    if (first) { activate(first); }
  }

  // Enter goes to the next number, as on the keypad; from the last one to the button.
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("[data-reading] input[data-kind]")) { return; }
    event.preventDefault();
    activate(event.target);
    next();
  });
  document.addEventListener("click", (event) => {
    if (event.target.matches("[data-print]")) { print(); }
  });
  document.addEventListener("focusin", (event) => {
    if (event.target.matches("input[data-kind]")) { activate(event.target); }
  });
  document.addEventListener("input", (event) => {
    if (event.target.matches("input[data-kind=mm]")) { redraw(event.target); }
  });
  addEventListener("online", sendKept);
  addEventListener("popstate", () => { if (address() !== shown) { location.reload(); } });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { sendKept(); } });
  begin();
  if (kept().length) { sendKept(); }
})();
