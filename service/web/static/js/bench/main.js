import { startPage } from "../page.js";
import { startCoverage } from "./coverage.js";
import { startFlotation } from "./flotation.js";
import { showLimits } from "./limits.js";
import { startSizes } from "./sizes.js";

await startPage();
await Promise.all([startSizes(), startCoverage(), startFlotation(), showLimits()]);
