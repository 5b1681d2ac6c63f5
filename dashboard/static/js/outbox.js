// Notes that are written without a network stay on this phone and are sent later, in order; the service keeps each once.
const KEY = "wardian-outbox";
const AGAIN_MS = 20_000;
const PATIENCE_MS = 15_000;

function waiting() {
  try {
    return JSON.parse(localStorage.getItem(KEY) ?? "[]");
  } catch {
    return [];
  }
}

function keep(notes) {
  localStorage.setItem(KEY, JSON.stringify(notes));
}

const line = document.createElement("p");
line.className = "waits";
line.id = "waits";
line.setAttribute("role", "status");
line.hidden = true;

function tell(text, sent) {
  if (!line.isConnected) document.getElementById("main").prepend(line);
  line.textContent = text;
  line.classList.toggle("is-sent", sent);
  line.hidden = text === "";
}

function tellWaiting(why) {
  const count = waiting().length;
  if (count) tell(`${count === 1 ? "A note waits" : `${count} notes wait`} on this phone: ${why}. Nothing is lost; sent once the service answers.`, false);
}

async function send(note) {
  const answer = await fetch(note.address, {
    method: "POST",
    headers: { "Content-Type": "application/x-www-form-urlencoded" },
    body: note.body,
    redirect: "manual",
    signal: AbortSignal.timeout(PATIENCE_MS),
  });
  if (answer.type === "opaqueredirect" || answer.ok) return "sent";
  if (answer.status === 401) return "sign in again to send them";
  if (answer.status >= 500 || answer.status === 429) return "the service cannot take them now";
  return "refused";
}

let busy = false;
async function flush(sent = () => {}) {
  if (busy) return;
  busy = true;
  try {
    while (waiting().length) {
      const [note] = waiting();
      const said = await send(note);
      if (said !== "sent" && said !== "refused") {
        tellWaiting(said);
        return;
      }
      // What was added meanwhile stays: only this one is taken out.
      keep(waiting().filter((other) => other.id !== note.id));
      if (said === "sent") tell(`Noted: ${note.said}.`, true);
      else tell(`The service did not take “${note.said}” of ${note.at}: it may have been noted of something that is gone.`, false);
      sent(note);
    }
  } catch {
    tellWaiting("there is no network");
  } finally {
    busy = false;
  }
}

/** @param {() => void} sent called when a note has arrived */
export function outbox(sent) {
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-note-offline]");
    if (!form) return;
    const button = event.submitter;
    const fields = new FormData(form, button);
    const at = new Date().toISOString();
    const id = crypto.randomUUID?.() ?? `${at}-${Math.random().toString(36).slice(2)}`;
    if (!fields.get("at")) fields.set("at", at);
    fields.set("sent_key", id);
    const note = { id, at, address: form.getAttribute("action"), body: new URLSearchParams(fields).toString(), said: button?.textContent.trim() || "note" };
    try {
      keep([...waiting(), note]);
    } catch {
      return; // Storage is forbidden or full: the browser sends the form as it does without scripts.
    }
    event.preventDefault();
    form.reset();
    form.closest("details")?.removeAttribute("open");
    flush(sent);
  });
  for (const name of ["online", "pageshow", "focus"]) window.addEventListener(name, () => flush(sent));
  setInterval(() => flush(sent), AGAIN_MS);
  flush(sent);
}
