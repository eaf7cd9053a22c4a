// Comfort for the editor of tables: without this file everything is done with its buttons. It shows what is typed as
// it is typed, spreads a piece of a spreadsheet over the cells, adds rows, and goes up and down with the arrow keys.
"use strict";

const editor = document.querySelector("form[data-editor]");

// ---- Rows: a new one is the last one, emptied, with its number in every name.
const inputsOf = (row) => Array.from(row.querySelectorAll("td input, td select"));

function addRow(table) {
  const body = table.tBodies[0];
  const count = body.rows.length;
  if (count === 0 || count >= Number(table.dataset.most)) return null;
  const old = body.rows[count - 1];
  const row = old.cloneNode(true);
  const sheet = table.dataset.grid;
  const renumbered = (text) => text
    .replaceAll(`${sheet}.${count - 1}.`, `${sheet}.${count}.`)
    .replaceAll(`-${sheet}-${count - 1}`, `-${sheet}-${count}`);
  for (const element of [row, ...row.querySelectorAll("*")]) {
    for (const name of ["id", "name", "aria-describedby", "aria-labelledby", "data-told"]) {
      if (element.hasAttribute(name)) element.setAttribute(name, renumbered(element.getAttribute(name)));
    }
    if (element.tagName === "BUTTON") element.value = renumbered(element.value);
  }
  for (const heard of row.querySelectorAll("button .heard")) {
    heard.textContent = heard.textContent.replace(String(count), String(count + 1));
  }
  row.querySelectorAll(".said").forEach((each) => each.remove());
  row.querySelectorAll("[data-told]").forEach((each) => each.replaceChildren());
  const head = row.querySelector("th");
  head.lastChild.textContent = String(count + 1);
  for (const input of inputsOf(row)) {
    input.value = "";
    input.removeAttribute("value");
    input.removeAttribute("aria-invalid");
    input.closest("[data-cell]").classList.remove("wrong");
  }
  body.append(row);
  return row;
}

function placeOf(input) {
  const row = input.closest("tr");
  const table = input.closest("table[data-grid]");
  return table && { table, row, rows: Array.from(table.tBodies[0].rows), column: inputsOf(row).indexOf(input) };
}

function goTo(row, column) {
  const input = row && inputsOf(row)[column];
  if (!input) return;
  input.focus();
  if (input.select) input.select();
}

function onKey(event) {
  const input = event.target;
  if (event.altKey || event.ctrlKey || event.metaKey || !input.matches("input, select")) return;
  const place = placeOf(input);
  if (event.key === "Enter" && input.tagName === "INPUT") {
    event.preventDefault(); // else it would press the first button of the form
    if (!place) return;
    const at = place.rows.indexOf(place.row);
    goTo(place.rows[at + 1] || addRow(place.table), place.column);
  } else if (place && input.tagName === "INPUT" && !input.hasAttribute("list")) {
    const step = { ArrowUp: -1, ArrowDown: 1 }[event.key];
    if (!step) return;
    event.preventDefault();
    goTo(place.rows[place.rows.indexOf(place.row) + step], place.column);
  }
}

// ---- A piece of a spreadsheet: from the cell it is pasted in, to the right and down; rows are added for it.
function cellsOfText(text) {
  return text.replace(/\r\n?/g, "\n").replace(/\n+$/, "").split("\n").map((row) => row.split("\t").map((cell) => cell.trim()));
}

function put(input, text) {
  if (input.tagName === "SELECT") {
    const wanted = text.toLocaleLowerCase();
    const option = Array.from(input.options).find((each) => each.value === text || each.text.trim().toLocaleLowerCase() === wanted);
    if (!option) return false;
    input.value = option.value;
  } else {
    input.value = text;
  }
  return true;
}

function onPaste(event) {
  const input = event.target.closest("input, select");
  const place = input && placeOf(input);
  const text = event.clipboardData ? event.clipboardData.getData("text/plain") : "";
  if (!place || !/[\t\n]/.test(text.trim())) return; // a single value is pasted as anywhere else
  event.preventDefault();
  let taken = 0;
  let refused = 0;
  const top = place.rows.indexOf(place.row);
  cellsOfText(text).forEach((cells, down) => {
    const row = place.table.tBodies[0].rows[top + down] || addRow(place.table);
    cells.forEach((cell, right) => {
      const target = row && inputsOf(row)[place.column + right];
      if (target && put(target, cell)) taken += 1;
      else if (cell !== "") refused += 1;
    });
  });
  const status = editor.querySelector(`[data-grid-status="${place.table.dataset.grid}"]`);
  const words = refused ? status.dataset.partly : status.dataset.done;
  status.textContent = words.replace("{taken}", taken).replace("{refused}", refused);
  editor.dispatchEvent(new Event("change"));
}

// ---- What is typed is shown: what is wrong beside each cell, and the picture.
const status = editor && editor.querySelector("[data-editor-status]");
const tell = (what) => { status.textContent = status.dataset[what] || ""; };
let timer = 0;
let asked = 0;

function putBeside(page) {
  const fresh = new Map(Array.from(page.querySelectorAll("[data-told]"), (each) => [each.dataset.told, each]));
  for (const place of editor.querySelectorAll("[data-told]")) {
    const name = place.id.slice(2);
    const told = fresh.get(name);
    place.replaceChildren(...(told ? Array.from(document.importNode(told, true).childNodes) : []));
    const input = document.getElementById(`f-${name}`);
    if (!input) continue;
    const wrong = Boolean(told && "wrong" in told.dataset);
    if (wrong) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
    input.closest("[data-cell]").classList.toggle("wrong", wrong);
  }
  for (const id of ["looked", "cited"]) {
    const part = page.getElementById(id);
    const old = document.getElementById(id);
    if (!part || !old) throw new Error("no such part in the answer");
    const opened = Array.from(old.querySelectorAll("details"), (each) => each.open);
    const next = document.importNode(part, true);
    const folds = next.querySelectorAll("details");
    if (folds.length === opened.length) folds.forEach((each, number) => { each.open = opened[number]; });
    old.replaceWith(next);
  }
}

async function renew() {
  const mine = ++asked;
  tell("busy");
  try {
    const body = new URLSearchParams();
    for (const [name, value] of new FormData(editor)) if (typeof value === "string") body.append(name, value);
    const answer = await fetch(editor.dataset.look, { method: "POST", body, credentials: "same-origin", headers: { accept: "text/html" } });
    if (!answer.ok) throw new Error("refused");
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (mine !== asked) return; // something was typed meanwhile
    putBeside(page);
    tell("done");
  } catch {
    if (mine === asked) tell("failed");
  }
}

function later(event) {
  if (event.target.name === "comment" || event.target.name === "comment-place" || event.target.name === "reason") return;
  clearTimeout(timer);
  timer = setTimeout(renew, 400);
}

if (editor) {
  editor.addEventListener("keydown", onKey);
  editor.addEventListener("paste", onPaste);
  editor.addEventListener("input", later);
  editor.addEventListener("change", later);
  editor.addEventListener("submit", () => { clearTimeout(timer); asked += 1; });
  editor.addEventListener("focusin", (event) => { // a comment is about the cell one was in last
    const place = editor.elements["comment-place"];
    const about = event.target.closest("[data-cell]") && event.target.name;
    if (about && Array.from(place.options).some((each) => each.value === about)) place.value = about;
  });
}
