"use strict";
// Ticks on the round sheet are kept on the phone until the server has taken them. Each has a key of its own: what is
// sent twice counts once. Without this script the same forms are sent as they are.
(() => {
  const STORE = "farmwatch.round", FIRST_MS = 2000, LONGEST_MS = 30000, ANSWER_MS = 10000;
  const unsent = document.getElementById("unsent"), notice = document.getElementById("notice");
  let sending = false, pause = FIRST_MS, timer = null;

  const read = () => { try { return JSON.parse(localStorage.getItem(STORE)) || []; } catch { return []; } };
  const write = (queue) => { try { localStorage.setItem(STORE, JSON.stringify(queue)); return true; } catch { return false; } };
  const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("");
  const cardOf = (tick) => document.getElementById(`m-${tick.machine}`);
  const buttonOf = (tick) => document.querySelector(`form.tick[data-sent="${tick.key}"] button`);

  function show() {
    const queue = read();
    unsent.hidden = !queue.length;
    unsent.textContent = queue.length ? `${queue.length} not sent yet; kept on this phone and tried again.` : "";
    for (const card of document.querySelectorAll(".sheet .card")) {
      card.classList.toggle("waits", queue.some((tick) => `m-${tick.machine}` === card.id));
    }
  }

  function settle(tick, words, refused) {
    write(read().filter((other) => other.key !== tick.key));
    const card = cardOf(tick), button = buttonOf(tick);
    if (button) { button.removeAttribute("aria-disabled"); button.classList.toggle("said", !refused); }
    if (button && refused) delete button.closest("form").dataset.sent;
    if (card) { card.classList.toggle("refused", refused); card.querySelector(".sent").textContent = words; }
    notice.textContent = words;
    if (!refused && tick.command.startsWith("round_") && !read().length) location.reload();
  }

  async function send() {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    while (read().length) {
      const tick = read()[0];
      try {
        const answer = await fetch("/round", {
          method: "POST", body: new URLSearchParams(tick.fields), headers: { Accept: "application/json" },
          signal: AbortSignal.timeout ? AbortSignal.timeout(ANSWER_MS) : undefined,
        });
        if (answer.status === 401) { notice.textContent = "Sign in again; what was ticked is kept."; break; }
        if (answer.status >= 500 || answer.status === 408 || answer.status === 429) throw new Error("later");
        const words = await answer.json();
        settle(tick, answer.ok ? words.text : [words.title, words.detail].filter(Boolean).join(": "), !answer.ok);
        pause = FIRST_MS;
      } catch {
        timer = setTimeout(send, pause);
        pause = Math.min(2 * pause, LONGEST_MS);
        break;
      }
    }
    sending = false;
    show();
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.matches("form.tick")) return;
    const fields = Object.fromEntries(new FormData(form));
    fields.key = newKey();
    const tick = { key: fields.key, machine: fields.machine || "", command: fields.command, fields };
    if (form.dataset.sent) { event.preventDefault(); return; }
    if (!write([...read(), tick])) return; // no room on this phone: the form goes as it is
    event.preventDefault();
    form.dataset.sent = tick.key;
    (event.submitter || form.querySelector("button")).setAttribute("aria-disabled", "true");
    show();
    send();
  });
  addEventListener("online", send);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
  show();
  send();
})();
