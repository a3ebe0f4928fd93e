// What a mark says, with the group or the look-alike that it names.

export function markWords(mark, desk) {
  if (mark.answer === "confirm") return mark.group ? `Confirmed: ${desk.labelOf(mark.group)}` : "Confirmed";
  if (mark.answer === "reject") return mark.reason ? `Rejected: ${desk.labelOf(mark.reason)}` : "Rejected";
  return "Unsure";
}
