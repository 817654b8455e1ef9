// Making elements, and bringing what is shown into line with what should be shown.
//
// A view makes its whole tree anew each time. `show` changes only what differs, so that focus,
// what somebody is typing and what a screen reader is reading stay where they are. Text only ever
// becomes a text node: nothing that comes over the wire is read as markup.

const SVG = "http://www.w3.org/2000/svg";

export const h = (name, attributes = {}, ...children) =>
  made(document.createElement(name), attributes, children);

export const s = (name, attributes = {}, ...children) =>
  made(document.createElementNS(SVG, name), attributes, children);

function made(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    element.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false || child === "") continue;
    element.append(child instanceof Node ? child : document.createTextNode(String(child)));
  }
  return element;
}

// What a person changes, which the next picture of the state must not change back.
const KEPT = { DETAILS: ["open"], DIALOG: ["open"], INPUT: ["value", "checked"], OPTION: ["selected"] };

export function show(parent, ...children) {
  const wanted = made(document.createDocumentFragment(), {}, children);
  align(parent, [...wanted.childNodes]);
}

function align(parent, wanted) {
  const keyed = new Map();
  for (const node of parent.childNodes) if (keyOf(node)) keyed.set(keyOf(node), node);
  const still = new Set(wanted.map(keyOf));
  let place = parent.firstChild;
  for (const node of wanted) {
    // What is gone goes first: a node that need not be moved keeps the focus.
    while (place && keyOf(place) && !still.has(keyOf(place))) place = removed(place);
    const key = keyOf(node);
    const old = key ? keyed.get(key) : place && !keyOf(place) ? place : null;
    if (old && old.nodeType === node.nodeType && old.nodeName === node.nodeName) {
      if (old === place) place = place.nextSibling;
      else parent.insertBefore(old, place);
      update(old, node);
    } else {
      parent.insertBefore(node, place);
    }
  }
  while (place) place = removed(place);
}

function removed(node) {
  const next = node.nextSibling;
  node.remove();
  return next;
}

function update(old, wanted) {
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== wanted.data) old.data = wanted.data;
    return;
  }
  if (old.hasAttribute("data-own")) return; // it looks after itself
  const kept = KEPT[old.nodeName] ?? [];
  for (const { name } of [...old.attributes]) {
    if (!wanted.hasAttribute(name) && !kept.includes(name)) old.removeAttribute(name);
  }
  for (const { name, value } of wanted.attributes) {
    if (!kept.includes(name) && old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  align(old, [...wanted.childNodes]);
}

const keyOf = (node) => (node.nodeType === Node.ELEMENT_NODE ? node.getAttribute("data-key") : null);
