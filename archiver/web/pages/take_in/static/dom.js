// Short names for what is done with the document all the time.
export const find = (id) => document.getElementById(id);

export function make(tag, className = "", text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

export function press(text, className, act) {
  const button = make("button", className, text);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

const SVG = "http://www.w3.org/2000/svg";

export function draw(tag, attributes = {}, ...inside) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
}
