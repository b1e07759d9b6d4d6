// Asks how far a check is, and goes to the result once it is there.
const box = document.querySelector("[data-progress]");
const words = box.querySelector("[data-words]");
const more = box.querySelector("[data-more]");
const bar = box.querySelector("[data-bar]");
const steps = [...box.querySelectorAll("[data-steps] li")];

async function ask() {
  let wait = 700;
  try {
    const answer = await fetch(box.dataset.progress, { headers: { accept: "application/json" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const check = await answer.json();
    if (check.outcome || !check.step) { location.reload(); return; }
    const step = check.step;
    if (words.textContent !== step.words) words.textContent = step.words;
    more.textContent = step.ahead ? `${step.ahead} before it` : "";
    if (step.of) { bar.max = step.of; bar.value = Math.max(step.number - 1, 0); }
    steps.forEach((item, index) => {
      item.className = step.number === index + 1 ? "now" : step.number > index + 1 ? "done" : "";
    });
  } catch {
    words.textContent = "The shop's computer doesn't answer; trying again";
    wait = 3000;
  }
  setTimeout(ask, wait);
}
setTimeout(ask, 500);
