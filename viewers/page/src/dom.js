// Elements made from data. Text goes in as text nodes only: names from job files are no markup.

export function make(tag, options = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(options)) {
    if (key === "on") for (const [name, f] of Object.entries(value)) node.addEventListener(name, f);
    else if (key in node && key !== "list") node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export function draw(tag, attributes = {}, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...children);
  return node;
}

export function number(value, digits = 1) {
  if (value === null || value === undefined) return "–";
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

export function path(points, closed) {
  return `M${points.map((p) => `${p[0].toFixed(2)} ${(-p[1]).toFixed(2)}`).join("L")}${closed ? "Z" : ""}`;
}
