// Gentle advice beside the preparation facts: it never stops anybody. Each rule names its source, or says it has none.

const HOUR_MS = 3_600_000;

/** Advice by field name: `{words, isWarning}`. */
export function adviseOn(specimen) {
  const { preparation } = specimen;
  return {
    collected_on: adviseOnAge(specimen.collected_on),
    method: adviseOnMethod(preparation.method),
    specific_gravity: adviseOnGravity(preparation),
    sample_g: adviseOnMass(preparation.sample_g),
    standing_min: adviseOnStanding(preparation.standing_min),
    coverslip_mm: adviseOnCoverslip(preparation.coverslip_mm),
    prepared_at: adviseOnDrying(preparation.prepared_at),
  };
}

const note = (words) => ({ words, isWarning: false });
const warning = (words) => ({ words, isWarning: true });

function adviseOnAge(collectedOn) {
  if (!collectedOn || Date.now() - Date.parse(collectedOn) < 48 * HOUR_MS) return undefined;
  return warning("Older than a day or so: thin-shelled eggs may have hatched and soil nematodes moved in (common practice is to read fresh or refrigerated samples; no source for the limit).");
}

function adviseOnMethod(method) {
  if (method !== "passive") return undefined;
  return note("Centrifugal flotation is the more sensitive routine method (CAPC).");
}

function adviseOnGravity({ solution, specific_gravity: gravity }) {
  if (gravity === null) return undefined;
  if (solution === "Zinc sulfate") return adviseOnZincSulfate(gravity);
  if (gravity < 1.18) return warning("Below 1.18 heavier eggs stay down. Check with a hydrometer (common practice, no source for the limit).");
  if (gravity > 1.3) return warning("Above 1.30 thin walls may collapse (common practice, no source for the limit).");
  return undefined;
}

function adviseOnZincSulfate(gravity) {
  const usual = "Zinc sulfate is used at about 1.18 (TroCCAP SOP 2), checked with a hydrometer.";
  return Math.abs(gravity - 1.18) <= 0.021 ? note(usual) : warning(usual);
}

function adviseOnMass(grams) {
  if (grams === null) return note("At least 1 g formed, 2 g soft, 4 g slurry, 6 g liquid (CAPC).");
  if (grams < 1) return warning("Under 1 g: a small sample may miss eggs that are there. At least 1 g formed, more if soft (CAPC).");
  return undefined;
}

function adviseOnStanding(minutes) {
  if (minutes === null) return undefined;
  if (minutes < 8) return warning("Under eight minutes eggs may not have risen yet (common practice, no source).");
  if (minutes > 60) return warning("Over an hour thin-walled stages may be distorted and crystals may form (common practice, no source).");
  return undefined;
}

function adviseOnCoverslip(side) {
  if (side === null || side === 22 || side === 18) return undefined;
  return note("Coverslips are usually 22 or 18 mm; the side tells how much area can be read (common practice, no source).");
}

function adviseOnDrying(preparedAt) {
  if (!preparedAt || Date.now() - Date.parse(preparedAt) < HOUR_MS) return undefined;
  return note("Prepared more than an hour ago: look for crystals and drying at the edge (common practice, no source).");
}
