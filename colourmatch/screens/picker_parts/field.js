// Rectangles drawn on a picture. A mouse draws them; a finger taps to set one down, drags it or its corners, and
// scrolls the page everywhere else; keys move and stretch the one in focus. Figures are pixels of the full photo.
const CORNERS = { nw: [0, 0], ne: [1, 0], se: [1, 1], sw: [0, 1] };
const LEAST_PX = 12; // on the screen
const TAPPED_PX = 36; // the least side of what a tap sets down
const STILL_PX = 6; // a press that moves less is a tap

function build(root) {
  const field = document.createElement("div");
  field.className = "cm-pick";
  field.innerHTML =
    '<div class="cm-pick-names" role="radiogroup" aria-label="What to draw"></div>' +
    '<div class="cm-pick-stage"><img alt="" draggable="false"></div><p class="cm-pick-hint" aria-live="polite"></p>';
  root.appendChild(field);
  const find = (css) => field.querySelector(css);
  return { field, names: find(".cm-pick-names"), stage: find(".cm-pick-stage"), img: find("img"),
    hint: find(".cm-pick-hint"), boxes: {}, buttons: {}, rectangles: {}, active: null, count: 0, press: null };
}

const isWhole = (r) => Array.isArray(r) && r.length === 4 && r.every((v) => Number.isFinite(v)) && r[2] > 0 && r[3] > 0;

function keepInside(own, r) {
  const [width, height] = own.size;
  const w = Math.max(1, Math.min(Math.round(r[2]), width)), h = Math.max(1, Math.min(Math.round(r[3]), height));
  const x = Math.max(0, Math.min(Math.round(r[0]), width - w)), y = Math.max(0, Math.min(Math.round(r[1]), height - h));
  return [x, y, w, h];
}

function draw(own) {
  const [width, height] = own.size;
  for (const name of own.order) {
    const r = own.rectangles[name], box = own.boxes[name], chosen = name === own.active;
    own.buttons[name].setAttribute("aria-checked", String(chosen));
    own.buttons[name].tabIndex = chosen ? 0 : -1;
    own.buttons[name].textContent = own.labels[name] + (isWhole(r) ? " ✓" : "");
    box.hidden = !isWhole(r);
    if (box.hidden) continue;
    box.className = "cm-pick-box " + name + (chosen ? " chosen" : "") + (r[1] + r[3] > 0.9 * height ? " low" : "") +
      (r[0] > 0.7 * width ? " right" : "");
    box.style.cssText = `left:${(100 * r[0]) / width}%;top:${(100 * r[1]) / height}%;` +
      `width:${(100 * r[2]) / width}%;height:${(100 * r[3]) / height}%;z-index:${chosen ? 2 : 1}`;
    box.setAttribute("aria-label", `${own.labels[name]}: x ${r[0]}, y ${r[1]}, width ${r[2]}, height ${r[3]} pixels. ` +
      "Arrow keys move it, with Shift they stretch it.");
  }
  const open = own.order.find((name) => !isWhole(own.rectangles[name]));
  own.hint.textContent = isWhole(own.rectangles[own.active])
    ? `${own.labels[own.active]}: drag it, or its corners. ${open ? "Then choose " + own.labels[open] + "." : ""}`
    : `Tap the picture on ${own.where[own.active]}, or draw a rectangle there with the mouse.`;
}

function send(own) {
  own.count += 1;
  own.setStateValue("picked", { rectangles: own.rectangles, active: own.active, count: own.count });
}

function sendSoon(own) {
  clearTimeout(own.timer);
  own.timer = setTimeout(() => send(own), 350);
}

function choose(own, name, tell) {
  own.active = name;
  draw(own);
  if (tell) sendSoon(own);
}

function place(own, event) {
  const area = own.stage.getBoundingClientRect(), scale = own.size[0] / area.width;
  return { x: (event.clientX - area.left) * scale, y: (event.clientY - area.top) * scale, scale };
}

function setDown(own, at) {
  const known = own.rectangles[own.active];
  const side = Math.max(0.09 * Math.min(...own.size), TAPPED_PX * at.scale);
  const [w, h] = isWhole(known) ? known.slice(2) : [side, side];
  own.rectangles[own.active] = keepInside(own, [at.x - w / 2, at.y - h / 2, w, h]);
}

function goOn(own) {
  const open = own.order.find((name) => !isWhole(own.rectangles[name]));
  if (open) own.active = open;
}

function onDown(own, event) {
  if (event.button || own.press) return;
  const box = event.target.closest(".cm-pick-box"), at = place(own, event);
  if (box) {
    choose(own, box.dataset.name, false);
    const corner = event.target.dataset.corner;
    own.press = { kind: corner ? "corner" : "move", corner, at, from: [...own.rectangles[own.active]], id: event.pointerId };
  } else {
    // a finger on the bare picture may want to scroll: only a tap counts, and that comes as a click
    if (event.pointerType === "touch") return;
    own.press = { kind: "draw", at, from: own.rectangles[own.active], id: event.pointerId };
  }
  own.stage.setPointerCapture(event.pointerId);
  if (event.pointerType !== "touch") event.preventDefault();
  if (box) box.focus({ preventScroll: true });
}

function onMove(own, event) {
  const press = own.press;
  if (!press || press.id !== event.pointerId) return;
  const at = place(own, event), dx = at.x - press.at.x, dy = at.y - press.at.y;
  if (!press.moved && Math.hypot(dx, dy) < STILL_PX * at.scale) return;
  press.moved = true;
  const least = LEAST_PX * at.scale, from = press.from;
  if (press.kind === "move") {
    own.rectangles[own.active] = keepInside(own, [from[0] + dx, from[1] + dy, from[2], from[3]]);
  } else {
    let fixed = [press.at.x, press.at.y];
    let free = [at.x, at.y];
    if (press.kind === "corner") {
      const [cx, cy] = CORNERS[press.corner];
      fixed = [from[0] + (1 - cx) * from[2], from[1] + (1 - cy) * from[3]];
      free = [from[0] + cx * from[2] + dx, from[1] + cy * from[3] + dy];
    }
    free = [Math.max(0, Math.min(free[0], own.size[0])), Math.max(0, Math.min(free[1], own.size[1]))];
    const w = Math.max(least, Math.abs(free[0] - fixed[0])), h = Math.max(least, Math.abs(free[1] - fixed[1]));
    own.rectangles[own.active] = keepInside(own, [Math.min(fixed[0], free[0]), Math.min(fixed[1], free[1]), w, h]);
  }
  draw(own);
}

function onUp(own, event) {
  const press = own.press;
  if (!press || press.id !== event.pointerId) return;
  own.press = null;
  own.lastUp = event.timeStamp;
  if (event.type === "pointercancel") own.rectangles[own.active] = press.from;
  else if (press.kind === "draw") {
    if (!press.moved) setDown(own, press.at);
    goOn(own);
  }
  draw(own);
  if (press.moved || press.kind === "draw") send(own);
}

function onClick(own, event) {
  // pens and mice were answered above; what remains is a finger's tap on the bare picture
  if (event.target.closest(".cm-pick-box") || event.timeStamp - (own.lastUp || -1e9) < 400) return;
  setDown(own, place(own, event));
  goOn(own);
  draw(own);
  send(own);
}

function onKey(own, name, event) {
  const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (!step) return;
  event.preventDefault();
  own.active = name;
  const by = Math.max(1, Math.round(0.005 * Math.max(...own.size)));
  const r = [...own.rectangles[name]], at = event.shiftKey ? 2 : 0;
  r[at] += by * step[0];
  r[at + 1] += by * step[1];
  own.rectangles[name] = keepInside(own, r);
  draw(own);
  sendSoon(own);
}

function fill(own, data) {
  own.order = Object.keys(data.labels);
  for (const name of own.order) {
    const button = document.createElement("button");
    button.type = "button";
    button.setAttribute("role", "radio");
    button.onclick = () => choose(own, name, true);
    button.onkeydown = (event) => {
      const turn = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (!turn) return;
      event.preventDefault();
      const next = own.order[(own.order.indexOf(name) + turn + own.order.length) % own.order.length];
      choose(own, next, true);
      own.buttons[next].focus();
    };
    own.names.appendChild((own.buttons[name] = button));
    const box = document.createElement("div");
    box.dataset.name = name;
    box.tabIndex = 0;
    box.setAttribute("role", "group");
    box.innerHTML = "<b></b>" + Object.keys(CORNERS).map((corner) => `<i data-corner="${corner}"></i>`).join("");
    box.querySelector("b").textContent = data.labels[name];
    box.onkeydown = (event) => onKey(own, name, event);
    own.stage.appendChild((own.boxes[name] = box));
  }
  own.stage.onpointerdown = (event) => onDown(own, event);
  own.stage.onpointermove = (event) => onMove(own, event);
  own.stage.onpointerup = own.stage.onpointercancel = (event) => onUp(own, event);
  own.stage.onclick = (event) => onClick(own, event);
}

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  let own = parentElement.cmOwn;
  if (!own) {
    own = parentElement.cmOwn = build(parentElement);
    fill(own, data);
  }
  own.setStateValue = setStateValue;
  own.size = data.size;
  own.labels = data.labels;
  own.where = data.where;
  if (own.photo !== data.photo) {
    own.photo = data.photo;
    own.img.src = data.image;
    own.img.alt = data.alt;
    own.count = data.count;
  }
  // what was drawn here since this was sent counts more than an older echo
  if (!own.press && data.count >= own.count) {
    own.count = data.count;
    own.rectangles = { ...data.rectangles };
    own.active = data.active;
  }
  draw(own);
}
