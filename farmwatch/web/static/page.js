"use strict";
// Keeps the page live: takes changed panels from the server and patches them into the page without losing what
// is open, typed or focused; says so when the server is silent; sends forms without leaving the page.
(() => {
  const LOST_MS = 8000, STALE_MS = 15000, POLL_MS = 5000, RETRY_MS = 2000;
  const lost = document.getElementById("lost");
  const notice = document.getElementById("notice");
  const busy = new WeakSet();
  // One connection for all tabs of this browser: whoever holds the lock listens and tells the others. Without locks
  // (they need https or this computer itself) each tab listens for itself.
  const NAME = "farmwatch-news", STEAL_MS = 15000;
  const channel = navigator.locks && "BroadcastChannel" in window ? new BroadcastChannel(NAME) : null;
  let source = null, seq = null, heard = performance.now(), failing = false, poller = null, away = false;
  let leads = !channel, release = null, queued = null, relayed = performance.now(), stolen = -STEAL_MS, asking = false;

  const key = (node) => (node.nodeType === 1 ? node.dataset.key || node.id || null : null);

  function attributes(old, next) {
    for (const { name, value } of next.attributes) {
      if (old.tagName === "DETAILS" && name === "open") continue;
      if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    }
    for (const { name } of [...old.attributes]) {
      if (old.tagName === "DETAILS" && name === "open") continue;
      if (!next.hasAttribute(name)) old.removeAttribute(name);
    }
  }

  function patch(old, next) {
    if (old.nodeType !== 1) {
      if (old.nodeValue !== next.nodeValue) old.nodeValue = next.nodeValue;
      return;
    }
    attributes(old, next);
    if (old.tagName !== "SELECT" || !old.matches(":focus")) children(old, next);
  }

  function children(old, next) {
    const keyed = new Map();
    for (const child of old.childNodes) { const k = key(child); if (k) keyed.set(k, child); }
    let at = old.firstChild;
    for (const wanted of [...next.childNodes]) {
      const k = key(wanted);
      let match = k ? keyed.get(k) : at;
      if (match && (match.nodeName !== wanted.nodeName || (!k && key(match)))) match = null;
      if (!match) { old.insertBefore(wanted, at); continue; }
      if (match === at) at = at.nextSibling; else old.insertBefore(match, at);
      patch(match, wanted);
    }
    while (at) { const gone = at; at = at.nextSibling; gone.remove(); }
  }

  function show(panels) {
    for (const [name, html] of Object.entries(panels)) {
      const place = document.querySelector(`[data-panel="${CSS.escape(name)}"]`);
      if (!place) continue;
      const focused = place.contains(document.activeElement);
      let next = place.cloneNode(false);
      next.innerHTML = html; // the server escapes whatever comes from outside
      if (place.dataset.only) {
        const mine = next.querySelector(`[data-key="${CSS.escape(place.dataset.only)}"]`);
        if (!mine) continue;
        next = place.cloneNode(false);
        next.append(mine);
      }
      children(place, next);
      if (focused && !place.contains(document.activeElement)) place.closest("section")?.querySelector("h2")?.focus();
    }
  }

  // Parts of a panel by their key; a page of one machine shows only what is of it.
  function showParts(named) {
    for (const [name, parts] of Object.entries(named)) {
      const place = document.querySelector(`[data-panel="${CSS.escape(name)}"]`);
      if (!place) continue;
      for (const [id, html] of Object.entries(parts)) {
        const old = place.querySelector(`[data-key="${CSS.escape(id)}"]`);
        if (!old) { if (!place.dataset.only) { resync(); return; } continue; }
        const next = document.createElement("template");
        next.innerHTML = html; // the server escapes whatever comes from outside
        patch(old, next.content.firstElementChild);
      }
    }
  }

  function take(message) {
    heard = performance.now();
    failing = false;
    if (!message.full) {
      if (seq === null || message.seq <= seq) return; // a snapshot is on its way, or held it already
      if (message.seq !== seq + 1) { resync(); return; }
    }
    seq = message.seq;
    if (message.title) document.title = message.title;
    show(message.panels);
    if (message.parts) showParts(message.parts);
    rearm();
    tick();
  }

  function rearm() { // the wall's cover appears by itself unless it is set back in time
    const cover = document.getElementById("cover");
    if (cover) cover.replaceWith(cover.cloneNode(true));
  }

  function heed() {
    heard = performance.now();
    failing = false;
    rearm();
    tick();
  }

  function relay(kind, message) {
    if (channel && leads) channel.postMessage({ kind, message });
  }

  function hear({ kind, message }) { // from the tab that leads
    relayed = performance.now();
    if (leads) return;
    if (kind === "news") take(message); else if (kind === "beat") heed(); else failing = true;
  }

  // Without other tabs to tell, only what this page shows is asked for.
  function shown() {
    if (channel) return "";
    const names = Array.from(document.querySelectorAll("[data-panel]"), (place) => place.dataset.panel);
    return `?of=${[...new Set(names)].join(",")}`;
  }

  function resync() {
    if (leads) open(); else snapshot();
  }

  async function snapshot() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch(`/panels${shown()}`, { headers: { Accept: "application/json" } });
      if (answer.status === 401) { location.reload(); return; }
      if (!answer.ok) return;
      const message = { ...(await answer.json()), full: true };
      take(message);
      if (source === null) relay("news", message);
    } catch { failing = true; relay("failing"); } finally { asking = false; }
  }

  function join(steal = false) {
    if (!channel) { open(); return; }
    queued?.abort();
    const mine = queued = new AbortController();
    const lead = () => new Promise((done) => { leads = true; release = done; open(); });
    navigator.locks.request(NAME, steal ? { steal } : { signal: mine.signal }, lead).catch(() => {}).finally(() => {
      if (queued !== mine) return; // it gave up waiting in order to steal
      leads = false; // released, or stolen by a tab that heard nothing from this one
      if (source) { source.close(); source = null; }
      if (!away) join();
    });
    setTimeout(() => { if (!leads && !away) snapshot(); }, 300);
  }

  function open() {
    if (source) source.close();
    seq = null;
    source = new EventSource(`/events${shown()}`);
    source.onmessage = (event) => { const message = JSON.parse(event.data); take(message); relay("news", message); };
    source.addEventListener("beat", () => { heed(); relay("beat"); });
    source.onerror = () => {
      failing = true;
      relay("failing");
      if (source?.readyState === EventSource.CLOSED) { source = null; poll(); } // refused: too many tabs, or signed out
    };
  }

  async function poll() {
    if (poller) return;
    poller = setInterval(() => { if (leads && (channel || !document.hidden)) snapshot(); }, POLL_MS);
    setTimeout(() => { clearInterval(poller); poller = null; if (leads && !away) open(); }, 12 * POLL_MS);
  }

  function tick() {
    const silent = performance.now() - heard;
    const gone = !away && (silent >= LOST_MS || (failing && silent >= RETRY_MS));
    lost.hidden = !gone;
    if (gone) lost.textContent = `Connection lost ${Math.floor(silent / 1000)} s: what you see is old.`;
    document.body.classList.toggle("stale", silent >= STALE_MS);
    const now = performance.now(); // the tab that leads may be frozen by the browser: one that is looked at takes over
    if (!leads && !away && !document.hidden && now - relayed > LOST_MS && now - stolen > STEAL_MS) { stolen = now; join(true); }
  }

  function wake() {
    if (!document.hidden && performance.now() - heard > LOST_MS && leads) open();
  }

  async function say(form, button) {
    if (busy.has(form)) return;
    busy.add(form); // not `disabled`: that would take the focus away
    button.setAttribute("aria-disabled", "true");
    notice.className = "";
    try {
      const answer = await fetch(form.action, {
        method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "application/json" },
      });
      if (answer.status === 401) { location.reload(); return; }
      const words = await answer.json();
      notice.textContent = answer.ok ? words.text : [words.title, words.detail].filter(Boolean).join(": ");
      notice.className = answer.ok ? "" : "refused";
      if (answer.ok) { form.reset(); const fold = form.closest("details:not(.machine)"); if (fold) fold.open = false; }
    } catch {
      notice.textContent = "Not sent: the server does not answer. Try again.";
      notice.className = "refused";
    } finally {
      busy.delete(form);
      button.removeAttribute("aria-disabled");
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.matches("form.say")) return;
    event.preventDefault();
    say(form, event.submitter || form.querySelector("button"));
  });
  document.addEventListener("visibilitychange", wake);
  addEventListener("pageshow", (event) => { away = false; if (event.persisted) { heard = relayed = performance.now(); join(); } });
  addEventListener("pagehide", () => { away = true; if (source) { source.close(); source = null; } release?.(); queued?.abort(); });
  if (channel) channel.onmessage = (event) => hear(event.data);
  setInterval(tick, 1000);
  join();
})();
