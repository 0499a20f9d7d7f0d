"use strict";
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const served = location.protocol.startsWith("http");
const COLUMNS = [["play", "play"], ["down", "down"], ["receiver", "receiver"], ["route_text", "route"],
  ["combination", "combination"], ["outcome", "result"], ["yards", "yards"], ["defender", "defender"],
  ["inside", "inside, yd"], ["under", "underneath, yd"], ["spread", "±"], ["leverage", "leverage"],
  ["cushion", "cushion, yd"], ["arrival", "at arrival, yd"], ["lane", "lane, yd"]];
const NUMBERS = new Set(["yards", "inside", "under", "spread", "cushion", "arrival", "lane"]);
const FILTERS = [["route", "route"], ["combination", "combination"], ["formation", "formation"], ["result", "result"],
  ["leverage", "leverage at the throw"], ["defender", "nearest defender"], ["receiver", "receiver"], ["down", "down"],
  ["hash", "hash"], ["qb_drop", "quarterback's drop"], ["game", "game"], ["offense", "offense"]];
const CAUGHT = ["complete", "touchdown"], KNOWN = [...CAUGHT, "incomplete", "intercepted"];
let order = [], now = -1, sorted = null, view = null;

function text(value, key) {
  if (value === null || value === undefined || value === "") return "–";
  if (typeof value === "number") {
    const digits = key === "yards" ? 0 : 1;
    return (["inside", "under", "yards"].includes(key) && value > 0 ? "+" : "") + value.toFixed(digits).replace("-", "−");
  }
  return String(value);
}

function share(hits, n) {
  if (!n) return "–";
  const z = 1.959964, p = hits / n, d = 1 + z * z / n, m = (p + z * z / (2 * n)) / d;
  const h = z * Math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / d;
  return `${hits}/${n}, ${Math.round(100 * p)} % (${Math.round(100 * Math.max(0, m - h))}–${Math.round(100 * Math.min(1, m + h))})`;
}

function mean(rows, key) {
  const v = rows.map((r) => r[key]).filter((x) => x !== null);
  return v.length ? `${text(v.reduce((a, b) => a + b, 0) / v.length, key)} yd (n ${v.length})` : "–";
}

function cells(row, columns) {
  return columns.map(([key]) => {
    const td = document.createElement("td");
    td.textContent = text(row[key], key);
    if (NUMBERS.has(key)) td.className = "n";
    return td;
  });
}

function head(target, columns) {
  const tr = document.createElement("tr");
  for (const [key, name] of columns) {
    const th = document.createElement("th"), button = document.createElement("button");
    th.scope = "col"; if (NUMBERS.has(key)) th.className = "n"; button.type = "button"; button.textContent = name; th.append(button); tr.append(th);
  }
  target.replaceChildren(tr);
}

function makeFilters() {
  for (const [key, name] of FILTERS) {
    const values = [...new Set(data.receivers.map((r) => r[key]).filter((v) => v !== null && v !== ""))];
    if (values.length < 2) continue;
    values.sort((a, b) => String(a).localeCompare(String(b), undefined, { numeric: true }));
    const label = document.createElement("label"), select = document.createElement("select");
    label.textContent = name; select.dataset.key = key;
    select.append(new Option("any", ""), ...values.map((v) => new Option(v, v)));
    select.addEventListener("change", showFound); label.append(select); $("filters").append(label);
  }
  const label = document.createElement("label"), box = document.createElement("select");
  label.textContent = "thrown to"; box.id = "target"; box.append(new Option("any", ""), new Option("only the target", "1"));
  box.addEventListener("change", showFound); label.append(box); $("filters").prepend(label);
}

function showFound() {
  const chosen = [...document.querySelectorAll("#filters select[data-key]")].filter((s) => s.value);
  const rows = data.receivers.filter((r) => chosen.every((s) => String(r[s.dataset.key]) === s.value) && (!$("target").value || r.target));
  const targets = rows.filter((r) => r.target), known = targets.filter((r) => KNOWN.includes(r.result));
  $("sum").textContent = `${rows.length} routes on ${new Set(rows.map((r) => r.play)).size} plays; thrown to ${targets.length}, completed ` +
    `${share(known.filter((r) => CAUGHT.includes(r.result)).length, known.length)}. Nearest defender at the throw: inside ${mean(rows, "inside")}, underneath ${mean(rows, "under")}.`;
  const body = rows.slice(0, 400).map((r) => {
    const tr = document.createElement("tr");
    tr.dataset.play = r.play; tr.tabIndex = 0; tr.append(...cells(r, COLUMNS));
    return tr;
  });
  document.querySelector("#found tbody").replaceChildren(...body);
  $("rest").textContent = rows.length > 400 ? `${rows.length - 400} more; narrow the filters.` : "";
}

function sortBy(button) {
  const th = button.closest("th"), table = th.closest("table"), at = [...th.parentNode.children].indexOf(th);
  const down = sorted === th; sorted = down ? null : th;
  table.querySelectorAll("th").forEach((h) => h.removeAttribute("aria-sort"));
  th.setAttribute("aria-sort", down ? "descending" : "ascending");
  const value = (tr) => { const t = tr.children[at].textContent.replace("−", "-"); const n = parseFloat(t.replace(/^[#+]/, "")); return t === "–" ? null : Number.isNaN(n) ? t : n; };
  const rows = [...table.tBodies[0].rows].sort((a, b) => {
    const x = value(a), y = value(b);
    if (x === null || y === null) return (x === null) - (y === null);
    const c = typeof x === typeof y ? (typeof x === "number" ? x - y : x.localeCompare(y)) : typeof x === "number" ? -1 : 1;
    return down ? -c : c;
  });
  table.tBodies[0].append(...rows);
}

function openPlay(id, list) {
  if (!data.plays[id]) return;
  if (list) order = list;
  now = order.indexOf(id);
  const play = data.plays[id];
  $("play-title").textContent = play.title; $("play-kicker").textContent = play.kicker;
  $("diagram").src = play.svg; $("diagram").alt = play.alt; $("diagram-text").textContent = play.detail;
  showFilm(play);
  head($("men-head"), COLUMNS.slice(2));
  $("men").replaceChildren(...data.receivers.filter((r) => r.play === id).map((r) => {
    const tr = document.createElement("tr"); tr.append(...cells(r, COLUMNS.slice(2))); return tr;
  }));
  $("fix").replaceChildren("Something wrong? For example: ", Object.assign(document.createElement("code"), { textContent: `underneath correct ${id} route curl --player ID --season ${data.file}` }),
    ` (ids: ${data.receivers.filter((r) => r.play === id).map((r) => `${r.id} ${r.receiver}`).join("; ")})`);
  $("before").disabled = now <= 0; $("after").disabled = now < 0 || now >= order.length - 1;
  if (!$("play").open) $("play").showModal();
}

function showFilm(play) {
  const box = $("film"), film = play.film[view] || Object.values(play.film)[0];
  if (!film) { box.replaceChildren(Object.assign(document.createElement("p"), { className: "nofilm", textContent: play.filmed ? "The film of this play is not where it was. Make the page again with --film FOLDER." : "This play came from a table of positions; there is no film of it." })); return; }
  const video = document.createElement("video");
  video.controls = true; video.muted = true; video.preload = "auto"; video.src = served ? film.served : film.near;
  video.addEventListener("loadedmetadata", () => { video.currentTime = film.start; });
  video.addEventListener("timeupdate", () => { if (video.currentTime > film.end && !video.paused) video.pause(); });
  video.addEventListener("error", () => box.append(Object.assign(document.createElement("p"), { className: "nofilm", textContent: `This browser cannot show ${film.name}. A cut-up made with \u201cunderneath cutup\u201d plays everywhere.` })));
  video.dataset.start = film.start;
  const parts = [video];
  if (Object.keys(play.film).length > 1) {
    const bar = document.createElement("p");
    for (const name of Object.keys(play.film)) {
      const b = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: name });
      b.addEventListener("click", () => { view = name; showFilm(play); }); bar.append(b, " ");
    }
    parts.push(bar);
  }
  box.replaceChildren(...parts);
}

function showTab(id) {
  document.querySelectorAll("nav button").forEach((b) => b.setAttribute("aria-selected", b.id === `tab-${id}`));
  document.querySelectorAll("main > section").forEach((s) => { s.hidden = s.id !== id; });
  history.replaceState(null, "", `#show-${id}`); window.scrollTo(0, 0);
}

function showQuestion(button) {
  document.querySelectorAll("[data-question]").forEach((b) => b.setAttribute("aria-current", b === button));
  document.querySelectorAll("article").forEach((a) => { a.hidden = a.id !== button.dataset.question; });
}

document.addEventListener("click", (e) => {
  const button = e.target.closest("button"), row = e.target.closest("[data-play]");
  if (button?.id.startsWith("tab-")) showTab(button.id.slice(4));
  else if (button?.dataset.question) showQuestion(button);
  else if (button?.closest("th") && button.closest(".sortable")) sortBy(button);
  else if (button?.id === "close") $("play").close();
  else if (button?.id === "before") openPlay(order[now - 1]);
  else if (button?.id === "after") openPlay(order[now + 1]);
  else if (row) openPlay(row.dataset.play, [...new Set([...row.parentNode.querySelectorAll("[data-play]")].map((x) => x.dataset.play))]);
});
$("play").addEventListener("close", () => $("film").replaceChildren());
document.addEventListener("keydown", (e) => {
  if (e.target.matches("select, input") || e.ctrlKey || e.metaKey || e.altKey) return;
  const video = document.querySelector("#film video"), open = $("play").open;
  if (open) {
    if (e.key === "ArrowLeft" && now > 0) openPlay(order[now - 1]);
    else if (e.key === "ArrowRight" && now < order.length - 1) openPlay(order[now + 1]);
    else if (e.key === " " && video && e.target.tagName !== "BUTTON") video.paused ? video.play() : video.pause();
    else if (e.key === "r" && video) { video.currentTime = video.dataset.start; video.play(); }
    else return;
    e.preventDefault(); return;
  }
  const tabs = [...document.querySelectorAll("nav button")], rows = [...document.querySelectorAll("main > section:not([hidden]) tr[data-play]")].filter((r) => r.offsetParent);
  const at = rows.indexOf(document.activeElement);
  if (/^[1-5]$/.test(e.key) && tabs[e.key - 1]) showTab(tabs[e.key - 1].id.slice(4));
  else if (e.key === "/") { showTab("find"); document.querySelector("#filters select").focus(); }
  else if ((e.key === "j" || e.key === "ArrowDown") && rows.length && (at >= 0 || e.key === "j")) rows[Math.min(at + 1, rows.length - 1)].focus();
  else if ((e.key === "k" || e.key === "ArrowUp") && at > 0) rows[at - 1].focus();
  else if (e.key === "Enter" && at >= 0) openPlay(rows[at].dataset.play, [...new Set(rows.map((r) => r.dataset.play))]);
  else return;
  e.preventDefault();
});
head(document.querySelector("#found thead"), COLUMNS);
makeFilters(); showFound();
const part = location.hash.replace("#show-", "");
if (part && $(`tab-${part}`)) showTab(part);
if (location.hash.startsWith("#play-")) openPlay(decodeURIComponent(location.hash.slice(6)), Object.keys(data.plays));
