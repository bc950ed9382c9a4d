// Brings the figures up to date by themselves, without taking the reader's place on the page away.
const EVERY = 5000;
setInterval(async () => {
  if (document.hidden) return;
  try {
    const answer = await fetch("/owner");
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const rows = page.querySelector(".health tbody");
    if (rows) document.querySelector(".health tbody").replaceWith(document.adoptNode(rows));
  } catch {
    // The daemon is away; the figures stay as they were.
  }
}, EVERY);
