// How each answer is drawn on the picture: a color and, because color alone must not tell, a line style.

export const MARK_LINES = {
  none: { color: "none", dash: "9 5", words: "Unmarked, or readers differ: dashed" },
  confirm: { color: "confirm", dash: null, words: "Confirmed: solid" },
  reject: { color: "reject", dash: "2 5", words: "Rejected: dotted" },
  unsure: { color: "unsure", dash: "14 4 3 4", words: "Unsure: dash and dot" },
};

/** The color token of a mark, for canvas, which can't read CSS by itself. */
export function colorOf(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--on-picture-${name}`).trim();
}
