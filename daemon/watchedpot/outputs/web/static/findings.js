// Why the temperature moves: what is likely, what speaks for it and against it, what to do first.

import { h } from "./dom.js";
import { prioritySign } from "./shapes.js";
import { capital, moment, share, spaced, told } from "./words.js";

const SIGNS = { critical: "critical", hold: "high", soon: "medium" }; // a note has none

const reasons = (title, list) =>
  list.length > 0 && h("div", {}, h("dt", {}, title), list.map((text) => h("dd", {}, capital(told(text)))));

function findingCard(finding, now) {
  const [first, ...others] = finding.candidates;
  const sign = SIGNS[finding.severity];
  return h("article", { class: `finding is-${finding.severity}`, "data-key": finding.id, "data-finding": finding.id },
    h("h3", {}, sign && [prioritySign(sign, { plain: true }), " "], capital(spaced(first.cause)),
      h("span", { class: "quiet" }, ` ${finding.zones.map(spaced).join(", ")}, since ${moment(finding.onset, now)}, sure to ${share(first.certainty)}`)),
    h("p", { class: "deed" }, h("strong", {}, told(finding.first_action))),
    h("p", {}, capital(told(finding.sentence))),
    h("dl", { class: "evidence" },
      reasons("speaks against it", first.speaks_against),
      reasons("also possible", others.map((one) => `${spaced(one.cause)}, ${share(one.certainty)}`)),
      reasons("not ruled out", finding.not_ruled_out)));
}

const over = (finding, now) =>
  h("li", { "data-key": finding.id },
    `${moment(finding.onset, now)} to ${moment(finding.ended, now)}: `,
    capital(spaced(finding.candidates[0].cause)), `, ${finding.zones.map(spaced).join(", ")}`);

// Nothing is shown where nothing was found: an empty panel would say that all is well.
export function findings(cell, now) {
  if (cell.is_hidden || !cell.findings?.length) return null;
  const lasting = cell.findings.filter(({ ended }) => ended === null);
  const ended = cell.findings.filter(({ ended }) => ended !== null);
  return h("section", { class: "panel findings", "aria-label": "cause and evidence" },
    h("h2", {}, "Cause and evidence"),
    lasting.map((finding) => findingCard(finding, now)),
    ended.length > 0 && h("ul", { class: "quiet" }, ended.map((finding) => over(finding, now))));
}
