// Refreshes the figures without reloading the page, so that the reader keeps their place.
const EVERY = 5000;
setInterval(async () => {
  if (document.hidden) return;
  try {
    const answer = await fetch("/owner", { headers: { "cagehand-polling": "1" } });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const rows = page.querySelector(".health tbody");
    if (rows) document.querySelector(".health tbody").replaceWith(document.adoptNode(rows));
  } catch {
    // The daemon does not answer; the figures stay as they were.
  }
}, EVERY);
