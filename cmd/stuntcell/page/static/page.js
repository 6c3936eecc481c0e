// Everything here only adds to pages that work without it: figures that follow the inputs, live progress, files that are dropped.
"use strict";

// A form whose result follows its inputs: the page of the new state is fetched, and its parts are put in place of those shown.
for (const form of document.querySelectorAll("form[data-live]")) {
  let under = null; // the fetch that is under way
  const follow = async () => {
    const state = new URLSearchParams();
    for (const [name, value] of new FormData(form)) if (value.trim() !== "") state.append(name, value.trim());
    const address = form.action + "?" + state;
    under?.abort();
    const mine = under = new AbortController();
    const result = document.getElementById("result");
    result.classList.add("busy");
    try {
      const answer = await fetch(address, { signal: mine.signal, headers: { Accept: "text/html" } });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = [...page.querySelectorAll("[data-swap]")];
      if (fresh.length === 0) { location.assign(address); return; }
      for (const part of fresh) document.getElementById(part.id)?.replaceWith(document.adoptNode(part));
      for (const field of form.querySelectorAll("[aria-describedby]")) {
        const said = document.getElementById(field.id + "-wrong");
        field.toggleAttribute("aria-invalid", false);
        if (said && said.textContent !== "") field.setAttribute("aria-invalid", "true");
      }
      document.getElementById("told").textContent = document.getElementById("result").dataset.told;
      history.replaceState(null, "", address);
    } catch (e) {
      if (e.name !== "AbortError") location.assign(address); // the browser says best what is wrong with the connection
    } finally {
      if (under === mine) document.getElementById("result").classList.remove("busy");
    }
  };
  form.addEventListener("change", follow);
  form.addEventListener("submit", (e) => { e.preventDefault(); follow(); });
}

// A run that goes on: its verdicts come as events.
const run = document.querySelector("[data-events]");
if (run) {
  const source = new EventSource(run.dataset.events);
  const rows = document.getElementById("rows"), bar = document.getElementById("bar"), count = document.getElementById("count");
  const cell = (row, text, style) => {
    const td = row.insertCell();
    td.textContent = text;
    if (style) td.className = style;
    return td;
  };
  rows.replaceChildren(); // all of them come again
  source.addEventListener("verdict", (e) => {
    const v = JSON.parse(e.data), row = rows.insertRow();
    cell(row, v.class, v.class);
    const link = document.createElement("a");
    link.href = v.href;
    link.textContent = v.scenario;
    row.insertCell().append(link);
    if (v.skipped) {
      cell(row, v.skipped, "skip").colSpan = 3;
    } else {
      cell(row, v.charge, "n");
      cell(row, v.energy, "n");
      cell(row, v.causes);
    }
    bar.value = rows.rows.length;
    count.textContent = rows.rows.length + " of " + run.dataset.planned + " scenarios";
  });
  source.addEventListener("end", () => { source.close(); location.reload(); });
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED) location.reload(); // the server does not know the run; its page says so
    else count.textContent = "The server does not answer; it is asked again.";
  });
}

// A form that takes a file that is dropped on it.
for (const form of document.querySelectorAll("form[data-drop]")) {
  const input = form.querySelector("input[type=file]"), zone = form.querySelector(".drop");
  const over = (on) => (e) => { e.preventDefault(); zone.classList.toggle("over", on); };
  zone.addEventListener("dragenter", over(true));
  zone.addEventListener("dragover", over(true));
  zone.addEventListener("dragleave", over(false));
  zone.addEventListener("drop", (e) => {
    over(false)(e);
    if (e.dataTransfer.files.length !== 1) return;
    input.files = e.dataTransfer.files;
    form.requestSubmit();
  });
}
