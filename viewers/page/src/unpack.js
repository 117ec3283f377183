// Arrays of a packed scene: see viewers/scene/packing.py for what the fields mean.

function bytes(text) {
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out.buffer;
}

function array(value) {
  const data = bytes(value.data);
  if (value.type) {
    const index = value.type === "u2" ? new Uint16Array(data) : new Int32Array(data);
    return Object.assign(index, { shape: value.shape });
  }
  const steps = new Uint16Array(data);
  const out = new Float32Array(steps.length);
  const width = value.origin.length;
  for (let i = 0; i < steps.length; i++) {
    out[i] = value.origin[i % width] + value.scale * steps[i];
  }
  return Object.assign(out, { shape: value.shape });
}

export function unpack(value) {
  if (Array.isArray(value)) return value.map(unpack);
  if (value === null || typeof value !== "object") return value;
  if ("data" in value && "shape" in value) return array(value);
  const out = {};
  for (const [key, inner] of Object.entries(value)) out[key] = unpack(inner);
  return out;
}

// Rows of a flat array as small arrays: (n, k) becomes n lists of k numbers.
export function rows(values) {
  const width = values.shape[values.shape.length - 1];
  const out = [];
  for (let i = 0; i < values.length; i += width) out.push(Array.from(values.slice(i, i + width)));
  return out;
}
