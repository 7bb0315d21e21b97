// The table of heads: light, direction, and the margin to full and to the floor.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";
import { directionText } from "./bearing.js";

export function showHeads({ heads, ringLux }) {
  const body = byId("heads").querySelector("tbody");
  mark(byId("plus-minus"), "hidden", heads.some((head) => head.uncertainty_stops !== null) ? null : "");
  for (const [head, row] of children(body, heads, (h) => h.name, makeRow)) {
    const part = (name) => row.querySelector(`.${name}`);
    say(part("name"), head.name);
    say(part("from"), head.from ? directionText(head.from) : "");
    say(part("role"), head.role === head.name ? "" : `${head.role}, `);
    say(part("lux"), lightOf(head));
    say(part("over"), overRing(head, ringLux));
    say(part("unsure"), words.around(head.uncertainty_stops));
    say(part("to-full"), head.works ? margin(head.toFull, head.at_limit === "full", "full") : "–");
    say(part("to-floor"), head.works ? margin(head.toFloor, head.at_limit === "floor", "floor") : "–");
    say(part("health"), healthOf(head));
    mark(row, "data-off", head.health === "ok" && !head.at_limit ? null : "true");
  }
}

function lightOf(head) {
  if (!head.works) return "✕ lost";
  return head.output > 0 ? words.light(head.lux, settings.units, head.uncertainty_stops) : "out";
}

function healthOf(head) {
  if (head.health === "late") return typeof head.confirmed === "boolean" ? "◔ has not answered" : "◔ late";
  if (head.health === "lost") return "";
  if (head.health === "ok" && head.answers === "no") return "cannot answer";
  if (head.health === "ok" && head.answers === "changes" && !head.confirmed) return "not heard lately";
  if (head.health !== "disobeying") return "";
  return head.says_level === null ? "▲ disobeys" : `▲ reports ${words.fixed(100 * head.says_level, 0)} %`;
}

function overRing(head, ringLux) {
  if (!head.works || !(head.lux > 0)) return "";
  const over = Math.log2(head.lux / ringLux);
  return `${words.fixed(over, Math.min(1, words.decimals(head.uncertainty_stops)), true)} ${words.noun(over)}`;
}

function margin(stops, atLimit, limit) {
  if (atLimit) return `▲ at ${limit}`;
  return stops === null ? "–" : `${words.fixed(Math.max(0, stops), 1)} ${words.noun(stops)}`;
}

function makeRow() {
  const cell = (...children) => make("td", {}, ...children);
  const span = (name) => make("span", { class: name });
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, span("name"), make("span", { class: "soft small where" }, span("role"), span("from"))),
    cell(span("lux"), make("span", { class: "over soft small" }), make("span", { class: "unsure soft small" }), make("span", { class: "health small" })),
    cell(span("to-full")),
    cell(span("to-floor")),
  );
}
