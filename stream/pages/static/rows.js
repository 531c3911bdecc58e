// Rows of lists, built out of what the program says.

/** An element with a class and a text; text only, so that a name can never become markup. */
export function make(tag, kind, text) {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  if (text !== undefined) node.textContent = text;
  return node;
}

const built = new WeakMap();

/** Build anew only what changed of a list: focus and touch stay where they are. */
export function fill(list, items, build) {
  const keys = items.map((item) => JSON.stringify(item));
  const there = new Map([...list.children].map((node) => [built.get(node), node]));
  items.forEach((item, i) => {
    const node = there.get(keys[i]) ?? build(item);
    there.delete(keys[i]);
    built.set(node, keys[i]);
    if (list.children[i] !== node) list.insertBefore(node, list.children[i] ?? null);
  });
  while (list.children.length > items.length) list.lastChild.remove();
}
