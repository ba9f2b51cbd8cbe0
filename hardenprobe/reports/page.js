"use strict";
// Every text here was made harmless when it was packed, and only ever becomes text: nothing is parsed as markup.

async function unpack(element) {
  const bytes = Uint8Array.from(atob(element.textContent), (char) => char.charCodeAt(0));
  const plain = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(plain).text());
}

function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key === "class") element.className = value;
    else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

function pairs(list) {
  return make("dl", {}, ...list.flatMap(([label, value]) => [make("dt", {}, label), make("dd", {}, value)]));
}

const form = document.getElementById("filter");
const packed = document.querySelectorAll("script.block");
const begins = new Set(); // the first check of each family
const opened = new Map(); // a few blocks that were opened last
let index, marks, generation = 0, chosen = [];

async function device(number) {
  const block = Math.floor(number / index.block);
  if (!opened.has(block)) {
    if (opened.size >= 8) opened.delete(opened.keys().next().value);
    opened.set(block, unpack(packed[block]));
  }
  return (await opened.get(block))[number % index.block];
}

// ---- what is shown

const symbol = (code) =>
  [make("span", { "aria-hidden": "true" }, marks[code].shape), make("span", { class: "heard" }, marks[code].meaning)];

function row(number) {
  const name = make("th", { scope: "row" }, make("a", { href: `#device-${index.id[number]}` }, index.label[number]));
  const cells = index.columns.map((check) => {
    const code = index.row[number][check];
    const cell = make("td", { class: `mark ${marks[code].style}${begins.has(check) ? " begins" : ""}` });
    if (code === " ") return cell;
    cell.title = `${index.checks[check][0]}: ${marks[code].meaning}`;
    if ("hmlra".includes(code)) cell.append(make("a", { href: `#at-${number}-${check}` }, ...symbol(code)));
    else cell.append(...symbol(code));
    return cell;
  });
  return make("tr", {}, name, ...cells);
}

function about(number) {
  const [high, medium, low, accepted, untold] = index.counts[number];
  const said = [
    [high, "high"], [medium, "medium"], [low, "low"], [accepted, "risk accepted"], [untold, "not determined"],
  ].filter(([count]) => count > 0).map(([count, word]) => `${count} ${word}`).join(", ");
  const where = [index.address[number], index.kind[number], index.place[number]].filter((part) => part !== "").join(", ");
  const details = make(
    "details", { "data-device": index.id[number] },
    make("summary", {}, make("strong", {}, index.label[number]), ` ${where}. `, make("span", { class: "quiet" }, said || index.none)),
  );
  details.addEventListener("toggle", async () => {
    if (!details.open || details.dataset.full) return;
    details.dataset.full = "yes";
    const known = await device(number);
    details.append(pairs(known.about));
    if (known.findings.length > 0) {
      const list = make("ul", { class: "plain" });
      for (const one of known.findings) {
        const link = make("a", { href: `#finding-${one.id}` }, `${index.checks[one.check][0]}, ${one.where}`);
        list.append(make("li", {}, badge(one), " ", link));
      }
      details.append(make("h4", {}, "Findings"), list);
    }
    if (known.others.length > 0) {
      const head = make("tr", {}, ...["Check", "Result", "Where", "Observed"].map((title) => make("th", { scope: "col" }, title)));
      const body = make("tbody");
      for (const [check, code, place, observed, why] of known.others) {
        const name = make("th", { scope: "row" }, index.checks[check][0]);
        const result = make("td", {}, make("span", { class: `mark ${marks[code].style}`, "aria-hidden": "true" }, marks[code].shape), ` ${marks[code].meaning}`);
        body.append(make("tr", {}, name, result, make("td", {}, place), make("td", {}, why ? `${observed} (${why})` : observed)));
      }
      const table = make("table", {}, make("caption", {}, "Every other result"), make("thead", {}, head), body);
      details.append(make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `Results of ${index.label[number]}` }, table));
    }
  });
  return details;
}

const badge = (one) => make("span", { class: `severity ${one.severity}` }, one.severity);

function finding(number, known, one) {
  const [check, title] = index.checks[one.check];
  const card = make(
    "details", { class: "finding", "data-finding": one.id },
    make("summary", {}, badge(one), " ", make("strong", {}, index.label[number]), ` ${one.where} `, make("span", { class: "quiet" }, title)),
  );
  const device = make("a", { href: `#device-${index.id[number]}` }, index.label[number]);
  card.append(make("p", { class: "claim" }, device, ", ", make("a", { href: `#check-${check}` }, make("code", {}, check))));
  if (one.note) card.append(make("p", { class: "notice" }, one.note));
  const list = pairs(one.told);
  if (one.remedy) {
    list.append(make("dt", {}, "Remediation"), make("dd", {}, make("a", { href: `#remedy-${one.remedy[0]}` }, one.remedy[1])));
  }
  list.append(make("dt", {}, "Finding"), make("dd", {}, make("a", { href: `#finding-${one.id}` }, make("code", {}, one.id))));
  card.append(list);
  for (const proof of one.proofs) {
    if (typeof proof === "string") {
      card.append(make("p", { class: "quiet" }, "Observation ", make("code", {}, proof), " is not part of this review."));
    } else {
      card.append(bytes(known.proofs[proof]));
    }
  }
  return card;
}

function bytes(proof) {
  const details = make("details", {}, make("summary", {}, proof.title));
  details.addEventListener("toggle", () => {
    if (details.childElementCount > 1) return;
    details.append(make("p", { class: "quiet" }, proof.about));
    for (const [title, hex, length] of proof.bytes) {
      const dump = make("pre", { tabindex: "0", "aria-label": title }, lines(hex, length));
      details.append(make("p", { class: "exchange" }, title), dump);
    }
    if (proof.bytes.length === 0) details.append(make("p", { class: "quiet" }, "No bytes were sent or received."));
  });
  return details;
}

// Offset, sixteen bytes in hex, the same as ASCII.
function lines(hex, length) {
  const found = [];
  for (let at = 0; at < hex.length; at += 32) {
    const pairsOf = hex.slice(at, at + 32).match(/../g);
    const text = pairsOf.map((pair) => parseInt(pair, 16)).map((code) => (code >= 32 && code < 127 ? String.fromCharCode(code) : "."));
    const shown = `${pairsOf.slice(0, 8).join(" ")}  ${pairsOf.slice(8).join(" ")}`;
    found.push(`${(at / 2).toString(16).padStart(4, "0")}  ${shown.padEnd(48)}  ${text.join("")}`);
  }
  const missing = length - hex.length / 2;
  if (missing > 0) found.push(`(${missing} of ${length} bytes are not shown)`);
  return found.join("\n");
}

// ---- what is chosen

function wanted() {
  const option = form.outcome.selectedOptions[0];
  const check = index.checks.findIndex(([id]) => id === form.check.value);
  const remedy = form.remedy.value === "" ? null : index.remedies[form.remedy.value] ?? [];
  let checks = index.checks.map((_, number) => number);
  if (remedy) checks = remedy;
  if (check >= 0) checks = checks.filter((number) => number === check);
  const codes = option.dataset.codes ?? (remedy ? "hmlr" : check >= 0 ? "hmlrauenpi-" : "");
  const [owner, place] = [form.owner.value, form.place.value];
  return { checks, codes, owner, place, device: form.device.value.trim().toLowerCase(), network: index.networks.indexOf(form.network.value) };
}

function matches(number, want) {
  if (want.owner !== "" && index.owner[number] !== want.owner) return false;
  if (want.place !== "" && index.place[number] !== want.place) return false;
  if (want.network >= 0 && index.network[number] !== want.network) return false;
  if (want.device !== "") {
    const text = `${index.label[number]} ${index.address[number]}`.toLowerCase();
    if (!text.includes(want.device)) return false;
  }
  return want.codes === "" || want.checks.some((check) => want.codes.includes(index.row[number][check]));
}

async function* rows() {
  for (const number of chosen) yield row(number);
}
async function* abouts() {
  for (const number of chosen) yield about(number);
}
async function* findings() {
  const want = wanted();
  const codes = want.codes || "hmlra";
  for (const number of chosen) {
    if (!want.checks.some((check) => codes.includes(index.row[number][check]) && "hmlra".includes(index.row[number][check]))) continue;
    const known = await device(number);
    for (const one of known.findings) {
      if (codes.includes(one.mark) && want.checks.includes(one.check)) yield finding(number, known, one);
    }
  }
}

// A list that grows by a page when its button is pressed.
class Pager {
  constructor(host, begin, size) {
    Object.assign(this, { host, begin, size });
    let after = host.closest(".scroll") ?? host;
    this.button = after.nextElementSibling.querySelector("button");
    this.button.addEventListener("click", () => this.more());
  }
  async restart() {
    this.items = this.begin();
    this.host.replaceChildren();
    this.ahead = undefined;
    await this.more();
  }
  // What a printed page leaves out; a list is drawn only as far as somebody reads.
  left() {
    const rest = this.button.hidden ? 0 : this.total() - this.host.childElementCount;
    if (rest > 0) return `${rest.toLocaleString("en")} of ${this.total().toLocaleString("en")} are left out here`;
    return this.button.hidden ? "" : "Others that were chosen are left out here";
  }
  async more() {
    const mine = generation;
    const page = [];
    this.ahead ??= await this.items.next();
    while (page.length < this.size && !this.ahead.done) {
      page.push(this.ahead.value);
      this.ahead = await this.items.next();
      if (mine !== generation) return;
    }
    this.host.append(...page);
    this.button.hidden = this.ahead.done;
    if (this.note) this.note.textContent = this.left() && `${this.left()}; the formats pdf, csv and json hold all.`;
  }
}

let pagers;
async function show() {
  generation += 1;
  const want = wanted();
  chosen = index.order.filter((number) => matches(number, want));
  form.querySelector("output").textContent = `${chosen.length.toLocaleString("en")} of ${index.id.length.toLocaleString("en")} devices`;
  const said = new URLSearchParams([...new FormData(form)].filter(([, value]) => value !== ""));
  form.querySelector("[data-permalink]").href = said.size > 0 ? `#show?${said}` : "#lists";
  await Promise.all(pagers.map((pager) => pager.restart()));
}

async function choose(values) {
  for (const one of form.elements) if (one.name) one.value = values[one.name] ?? "";
  // A value that no choice has, as in a link to another review, chooses nothing.
  for (const one of form.querySelectorAll("select")) if (one.selectedIndex < 0) one.value = "";
  await show();
  document.getElementById("lists").scrollIntoView();
}

// ---- links into what is not drawn up yet

function mayHold(block, id) {
  const begun = /^[0-9a-z]{4}/.test(id) ? id.slice(0, 4) : "----";
  return (packed[block].dataset.findings.match(/.{4}/g) ?? []).includes(begun);
}

async function search(id) {
  for (let number = 0; number < index.id.length; number += 1) {
    if (!mayHold(Math.floor(number / index.block), id)) {
      number += index.block - 1 - (number % index.block);
      continue;
    }
    const known = await device(number);
    const one = known.findings.find((each) => each.id === id);
    if (one) return [number, known, one];
  }
  return null;
}

async function follow() {
  if (location.hash.startsWith("#show?")) {
    await choose(Object.fromEntries(new URLSearchParams(location.hash.slice(6))));
    return;
  }
  const name = decodeURIComponent(location.hash.slice(1));
  const [, kind, rest] = name.match(/^(finding|device|at)-(.+)$/) ?? [];
  if (kind === undefined) {
    const there = document.getElementById(name);
    (there?.localName === "details" ? there : there?.querySelector(":scope > details, th > details"))?.setAttribute("open", "");
    return;
  }
  const place = document.getElementById("linked");
  let found = null;
  if (kind === "device") {
    const number = index.id.indexOf(rest);
    if (number >= 0) {
      found = about(number);
      found.open = true;
    }
  } else if (kind === "finding") {
    const hit = await search(rest);
    if (hit) found = finding(...hit);
  } else {
    const [number, check] = rest.split("-").map(Number);
    const known = await device(number);
    const one = known?.findings.find((each) => each.check === check);
    if (one) found = finding(number, known, one);
  }
  const title = make("h3", { tabindex: "-1" }, found ? `The linked ${kind === "device" ? "device" : "finding"}` : "The link leads to nothing that this page holds");
  if (found) found.open = true;
  place.replaceChildren(title, ...(found ? [found] : []));
  place.hidden = false;
  place.scrollIntoView();
  title.focus({ preventScroll: true });
}

async function begin() {
  index = await unpack(document.getElementById("index"));
  marks = Object.fromEntries(index.marks.map(([code, shape, style, meaning]) => [code, { shape, style, meaning }]));
  const families = make("tr", { class: "families" }, make("td"));
  const labels = make("tr", {}, make("th", { scope: "col" }, "Device"));
  let last = null;
  for (const check of index.columns) {
    const label = make("th", { scope: "col", title: index.checks[check][0] }, make("span", {}, index.short[check]));
    if (index.families[check] === last?.textContent) {
      last.colSpan += 1;
    } else {
      last = make("th", { scope: "colgroup", title: index.families[check] }, make("span", {}, index.families[check]));
      families.append(last);
      label.classList.add("begins");
      begins.add(check);
    }
    labels.append(label);
  }
  document.querySelector(".grid thead").append(families, labels);
  const list = (id) => document.querySelector(`#${id} + .list, #${id} + .quiet + .list`);
  pagers = [
    new Pager(document.querySelector(".grid tbody"), rows, 40),
    new Pager(list("devices"), abouts, 40),
    new Pager(list("findings"), findings, 20),
  ];
  const every = () => [...new FormData(form).values()].every((value) => value === "");
  const found = index.counts.reduce((sum, counts) => sum + counts.slice(0, 4).reduce((some, one) => some + one), 0);
  Object.assign(pagers[1], { total: () => chosen.length, note: document.getElementById("devices-left") });
  Object.assign(pagers[2], { total: () => (every() ? found : 0), note: document.getElementById("findings-left") });
  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", show);
  form.addEventListener("reset", () => setTimeout(show));
  for (const button of document.querySelectorAll("[data-filter]")) {
    button.hidden = false;
    const { check, remedy, outcome } = button.dataset;
    button.addEventListener("click", () => choose({ check, remedy, outcome }));
  }
  for (const link of document.querySelectorAll("[data-goes]")) link.href = `#${link.dataset.goes}`;
  addEventListener("hashchange", follow);
  await show();
  await follow();
  document.documentElement.dataset.ready = "yes";
}
begin();
