// How a source stands beside its figure.

import { el } from "../dom.js";

const STANDINGS = { weak: "weak source", memory: "from memory, unchecked" };

/** The source, and in words how far it can be leant on; `practice` sources say so themselves. */
export function cite({ source, strength, source_url_or_doi: place }) {
  const standing = STANDINGS[strength] && !source.includes("from memory") ? STANDINGS[strength] : "";
  const doi = place?.startsWith("doi:") ? place : "";
  return el("cite", {}, [source, doi, standing].filter(Boolean).join("; "));
}
