// Comfort only: every page works without this file. It drops files on their place, spreads a piece of a spreadsheet
// over a table of inputs, and shows at once what a form that only asks would answer.
"use strict";

// ---- A file dropped on its place. A near miss must not make the browser leave the page for the file.
function placeForFiles(place) {
  const input = place.querySelector("input[type=file]");
  const hint = place.querySelector("[data-drop-hint]");
  if (!input) return;
  if (hint) hint.hidden = false;
  place.addEventListener("dragover", () => place.classList.add("over"));
  place.addEventListener("dragleave", () => place.classList.remove("over"));
  place.addEventListener("drop", (event) => {
    place.classList.remove("over");
    const files = event.dataTransfer ? event.dataTransfer.files : null;
    if (!files || files.length === 0) return;
    const kept = new DataTransfer();
    for (const file of input.multiple ? files : [files[0]]) kept.items.add(file);
    input.files = kept.files;
    input.dispatchEvent(new Event("change", { bubbles: true }));
    input.focus();
  });
}

// ---- A piece of a spreadsheet pasted into a table of inputs: from the cell it is pasted in, to the right and down.
function cellsOf(text) {
  const rows = text.replace(/\r\n?/g, "\n").replace(/\n+$/, "").split("\n");
  return rows.map((row) => row.split("\t").map((cell) => cell.trim()));
}

function fill(control, text) {
  if (control.tagName === "SELECT") {
    const wanted = text.toLocaleLowerCase();
    const fits = (option) => option.value === text || option.text.trim().toLocaleLowerCase() === wanted;
    const option = Array.from(control.options).find(fits);
    if (!option) return false;
    control.value = option.value;
  } else {
    if (control.readOnly || control.disabled) return false;
    control.value = text;
    if (control.value !== text) return false; // such as letters in a field for a number
  }
  control.dispatchEvent(new Event("change", { bubbles: true }));
  return true;
}

function pasteOver(table) {
  const inRow = (row) => Array.from(row.querySelectorAll("input:not([type=hidden], [type=checkbox], [type=radio]), select"));
  table.addEventListener("paste", (event) => {
    const start = event.target.closest("input, select");
    const text = event.clipboardData ? event.clipboardData.getData("text/plain") : "";
    if (!start || !/[\t\n]/.test(text.trim())) return; // a single value is pasted as anywhere else
    event.preventDefault();
    const rows = Array.from(table.querySelectorAll("tr")).filter((row) => inRow(row).length > 0);
    const top = rows.indexOf(start.closest("tr"));
    const left = inRow(rows[top]).indexOf(start);
    let taken = 0;
    let refused = 0;
    cellsOf(text).forEach((cells, down) => {
      const controls = rows[top + down] ? inRow(rows[top + down]) : [];
      cells.forEach((cell, right) => {
        const control = controls[left + right];
        if (control && fill(control, cell)) taken += 1;
        else if (cell !== "") refused += 1;
      });
    });
    say(table, taken, refused);
  });
}

function say(table, taken, refused) {
  const place = document.getElementById(table.dataset.paste);
  if (!place) return;
  const words = refused ? place.dataset.partly : place.dataset.done;
  place.textContent = words.replace("{taken}", taken).replace("{refused}", refused);
}

// ---- A form that only asks (data-live names the part of the page it changes) is asked again at each change.
function liveForm(form) {
  const region = () => document.getElementById(form.dataset.live);
  const status = form.querySelector("[data-live-status]") || document.querySelector("[data-live-status]");
  const tell = (what) => { if (status) status.textContent = status.dataset[what] || ""; };
  let timer = 0;
  let asked = 0;

  function address() {
    const query = new URLSearchParams();
    for (const [name, value] of new FormData(form)) {
      // What proves a form ours is for sending it, and has no place in an address.
      if (name !== "form_token" && typeof value === "string") query.append(name, value);
    }
    const to = new URL(form.dataset.liveAction || form.getAttribute("action") || location.pathname, location.href);
    to.search = query.toString();
    return to;
  }

  async function renew() {
    if (!region() || !form.checkValidity()) return;
    const mine = ++asked;
    tell("busy");
    region().classList.add("stale");
    try {
      const answer = await fetch(address(), { credentials: "same-origin", headers: { accept: "text/html" } });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (mine !== asked) return; // a later change was asked about meanwhile
      const refusal = answer.ok ? null : page.querySelector(".refused");
      const fresh = page.getElementById(form.dataset.live);
      if (refusal) region().replaceChildren(document.importNode(refusal, true));
      else if (answer.ok && fresh) region().replaceWith(document.importNode(fresh, true));
      else throw new Error("no such part in the answer");
      region().classList.remove("stale");
      tell(refusal ? "refused" : "done");
    } catch {
      if (mine !== asked) return;
      region().classList.remove("stale");
      tell("failed");
    }
  }

  const later = (event) => {
    if (event.target.type === "file") return;
    clearTimeout(timer);
    timer = setTimeout(renew, event.type === "input" ? 500 : 50);
  };
  form.addEventListener("input", later);
  form.addEventListener("change", later);
  form.addEventListener("submit", () => { clearTimeout(timer); asked += 1; });
}

// ---- A part of the page that goes on changing (data-poll: seconds) is loaded again until it says no more that it does.
function pollPart(part) {
  const again = async () => {
    const focused = part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea, button");
    if (!document.hidden && !focused) {
      try {
        const answer = await fetch(location.href, { credentials: "same-origin", headers: { accept: "text/html" } });
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const fresh = answer.ok && !answer.redirected ? page.getElementById(part.id) : null;
        if (!fresh) return; // signed out, or gone: what stands there stays
        const taken = document.importNode(fresh, true);
        part.replaceWith(taken);
        part = taken;
      } catch { /* the next time may get through */ }
    }
    if (part.dataset.poll) setTimeout(again, 1000 * Number(part.dataset.poll));
  };
  setTimeout(again, 1000 * Number(part.dataset.poll));
}

const places = document.querySelectorAll("[data-drop]");
places.forEach(placeForFiles);
if (places.length > 0) {
  for (const kind of ["dragover", "drop"]) {
    window.addEventListener(kind, (event) => {
      if (event.dataTransfer && event.dataTransfer.types.includes("Files")) event.preventDefault();
    });
  }
}
document.querySelectorAll("[data-paste]").forEach(pasteOver);
document.querySelectorAll("form[data-live]").forEach(liveForm);
document.querySelectorAll("[data-poll][id]").forEach(pollPart);
