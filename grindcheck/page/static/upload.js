// Photos are sent one by one as soon as they are chosen, so that none is lost and each has its own message.
const form = document.querySelector("[data-upload]");
const shots = form.querySelector("[data-shots]");
const status = form.querySelector("[data-status]");
const submit = form.querySelector("button[type=submit]");
const key = "shots-" + form.dataset.knife;
let busy = 0;

function remember() {
  const kept = [...shots.querySelectorAll("input[name=photo]")].map((one) => one.value);
  try { sessionStorage.setItem(key, JSON.stringify(kept)); } catch { /* private windows keep nothing */ }
}
function say(text) { status.textContent = text; }
function count() {
  const kept = shots.querySelectorAll("input[name=photo]").length;
  const needs = Number(form.dataset.needs);
  const wanting = kept < needs ? needs - kept : "pairs" in form.dataset ? kept % 2 : 0;
  const pairs = "pairs" in form.dataset && kept > needs && !wanting ? `: ${kept / 2} pairs in this order.` : ".";
  submit.disabled = busy > 0;
  if (busy) say(`${busy} on the way …`);
  else if (kept) say(`${kept} kept` + (wanting ? `; ${wanting} more needed.` : pairs));
}
function card(name) {
  const item = document.createElement("li");
  const picture = document.createElement("img");
  picture.alt = name;
  const words = document.createElement("p");
  words.className = "small";
  words.textContent = name;
  const bar = document.createElement("progress");
  bar.setAttribute("aria-label", `Sending ${name}`);
  item.append(picture, words, bar);
  shots.append(item);
  return { item, picture, words, bar };
}
function trouble(item, error) {
  const box = document.createElement("div");
  box.className = "trouble";
  box.setAttribute("role", "alert");
  const message = document.createElement("b");
  message.textContent = error.message;
  box.append(message, error.advice);
  item.append(box);
}
function leaveOut(item) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Leave out";
  button.addEventListener("click", () => { item.remove(); remember(); count(); });
  item.append(button);
}
function keep(item, value) {
  const field = document.createElement("input");
  field.type = "hidden";
  field.name = "photo";
  field.value = value;
  item.append(field);
}
function send(file) {
  const { item, picture, bar } = card(file.name);
  if (/\.(jpe?g|png)$/i.test(file.name)) picture.src = URL.createObjectURL(file);
  busy += 1;
  count();
  const request = new XMLHttpRequest();
  request.open("POST", "/api/photos?name=" + encodeURIComponent(file.name.slice(0, 150)));
  request.upload.addEventListener("progress", (event) => { bar.max = event.total; bar.value = event.loaded; });
  request.responseType = "json";
  const done = () => {
    busy -= 1;
    bar.remove();
    if (request.status === 201) {
      const sha = request.response.sha256;
      const twice = [...shots.querySelectorAll("input[name=photo]")].some((one) => one.value.startsWith(sha));
      if (twice) trouble(item, { message: "This photo is here already.", advice: "It counts once." });
      else keep(item, `${sha}|${file.name}`);
      picture.src = `/photos/${sha}/small.jpg`;
    } else {
      trouble(item, request.response?.error ?? { message: "It didn't arrive.", advice: "Go nearer to the router and choose it again." });
    }
    leaveOut(item);
    remember();
    count();
  };
  request.addEventListener("loadend", done);
  request.send(file);
}
for (const picker of form.querySelectorAll("input[type=file]")) {
  const take = () => {
    for (const file of picker.files) send(file);
    picker.value = "";
  };
  picker.addEventListener("change", take);
  take(); // chosen before this script was there
}
for (const button of shots.querySelectorAll("[data-leave-out]")) {
  button.addEventListener("click", () => { button.closest("li").remove(); remember(); count(); });
}
form.addEventListener("submit", () => { try { sessionStorage.removeItem(key); } catch { /* as above */ } });
if (!shots.children.length) {
  let kept = [];
  try { kept = JSON.parse(sessionStorage.getItem(key) ?? "[]"); } catch { /* as above */ }
  for (const value of kept) {
    const [sha, name] = [value.slice(0, 64), value.slice(65)];
    const { item, picture, bar } = card(name);
    bar.remove();
    picture.src = `/photos/${sha}/small.jpg`;
    keep(item, value);
    leaveOut(item);
  }
}
count();
