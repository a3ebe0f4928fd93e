// The count beside the link to what waits: how much of it waits for the person who looks at the page.

import { get } from "./api.js";
import { byId } from "./dom.js";

const LOOK_AGAIN_MS = 60_000;

/** Looks once a minute while the page is in sight; without an answer the last count stays. */
export async function startWaitingCount() {
  const look = async () => {
    if (document.hidden) return;
    const mine = await get("/api/waiting").then((rows) => rows.filter((row) => row.is_mine).length).catch(() => null);
    if (mine !== null) show(mine);
  };
  setInterval(look, LOOK_AGAIN_MS);
  await look();
}

function show(count) {
  const [badge, link] = [byId("waiting-count"), byId("waiting-link")];
  badge.hidden = count === 0;
  badge.textContent = String(count);
  link.setAttribute("aria-label", count ? `Waiting: ${count} for you` : "Waiting");
}
