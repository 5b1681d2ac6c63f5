// Acknowledging and shelving without leaving the page; without scripts the same forms do it.

/** @param {() => void} done called when something was changed */
export function answering(done) {
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    const verb = event.submitter?.dataset.verb ?? form.querySelector("[data-verb]")?.dataset.verb;
    if (!form.dataset.alarm || !verb) return;
    event.preventDefault();
    const said = document.getElementById("said");
    const buttons = form.querySelectorAll("button");
    const body = { note: form.elements.note?.value || null };
    if (verb === "shelve") body.minutes = Number(form.elements.minutes.value);
    buttons.forEach((button) => (button.disabled = true));
    const wrong = await send(`/api/v1/alarms/${form.dataset.alarm}/${verb}`, body);
    buttons.forEach((button) => (button.disabled = false));
    show(form, wrong);
    if (!wrong) said.textContent = verb === "shelve" ? "Shelved." : "Acknowledged.";
    done();
  });
}

// Returns what went wrong, in a sentence; nothing when all went well.
async function send(address, body) {
  try {
    const answer = await fetch(address, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    });
    if (answer.ok) return "";
    if (answer.status === 401) location.assign(`/sign-in?to=${encodeURIComponent(location.pathname)}`);
    return `Nothing was changed: ${(await answer.json()).detail}.`;
  } catch {
    return "Nothing was changed: the service does not answer. Try again.";
  }
}

function show(form, wrong) {
  const place = form.querySelector(".went-wrong");
  if (place) {
    place.textContent = wrong;
    place.hidden = !wrong;
  } else if (wrong) {
    document.getElementById("said").textContent = wrong;
  }
}
