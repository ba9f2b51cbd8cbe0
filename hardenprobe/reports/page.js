"use strict";
const form = document.getElementById("filter");
const marked = document.querySelectorAll("main [data-device], main [data-check]");
const findings = document.querySelectorAll(".finding");
form.hidden = false;
form.addEventListener("submit", (event) => event.preventDefault());
form.addEventListener("input", () => {
  const wanted = { severity: form.severity.value, check: form.check.value };
  const device = form.device.value.trim().toLowerCase();
  for (const element of marked) {
    const has = element.dataset;
    element.hidden =
      (device !== "" && has.device !== undefined && !has.device.toLowerCase().includes(device)) ||
      (wanted.severity !== "" && has.severity !== undefined && !has.severity.split(", ").includes(wanted.severity)) ||
      (wanted.check !== "" && has.check !== undefined && has.check !== wanted.check);
  }
  for (const group of document.querySelectorAll("[data-group]")) {
    group.hidden = group.querySelector(".finding:not([hidden])") === null;
  }
  const shown = [...findings].filter((finding) => !finding.hidden).length;
  form.querySelector("output").textContent = `${shown} of ${findings.length} findings`;
});
// A link into a closed or filtered place opens it; paper shows everything.
function reveal() {
  const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (target === null) return;
  if (target.closest("[hidden]") !== null) {
    form.reset();
    form.dispatchEvent(new Event("input"));
  }
  if (target instanceof HTMLDetailsElement) target.open = true;
  target.scrollIntoView();
}
addEventListener("hashchange", reveal);
addEventListener("beforeprint", () => {
  for (const details of document.querySelectorAll("details")) details.open = true;
});
reveal();
