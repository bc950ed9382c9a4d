// The coach's day by keys: N and P go from hitter to hitter, Enter opens the session, 1 to 3 the reps worth opening.
const cards = [...document.querySelectorAll(".card")];
const open = (card) => card.querySelector(".open");
// From a day's other page its nearest hitter is meant.
const ends = { "#first": 0, "#last": cards.length - 1 };
let place = ends[location.hash] ?? cards.findIndex((card) => `#${open(card).id}` === location.hash);

function go(to) {
  if (to < 0 || to >= cards.length) {
    // A busy day goes on on another page.
    document.getElementById(to < 0 ? "cards-before" : "cards-after")?.click();
    return;
  }
  place = to;
  open(cards[place]).focus();
  cards[place].scrollIntoView({ block: "nearest" });
  // So that the way back from a rep ends at the same hitter. A fragment takes the focus with it, so it names what has it.
  history.replaceState(null, "", `#${open(cards[place]).id}`);
}

document.addEventListener("focusin", (event) => {
  const within = cards.findIndex((card) => card.contains(event.target));
  if (within >= 0) place = within;
});
document.addEventListener("keydown", (event) => {
  const writes = event.target.matches("input, textarea, select");
  if (writes || event.ctrlKey || event.altKey || event.metaKey || cards.length === 0) return;
  const key = event.key.toLowerCase();
  if (key === "n") go(place + 1);
  else if (key === "p") go(place - 1);
  else if ("123".includes(key)) cards[Math.max(place, 0)].querySelectorAll(".picks a")[Number(key) - 1]?.click();
  else return;
  event.preventDefault();
});
if (place >= 0) go(place);
