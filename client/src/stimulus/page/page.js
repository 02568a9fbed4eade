// Draws what it is told, and says so once it is drawn. Two timers: to connect anew, and to notice that nothing is heard any more.
"use strict";

const canvas = document.getElementById("screen");
const words = document.getElementById("state");
const pen = canvas.getContext("2d", { alpha: false, colorSpace: "srgb" });

const ANEW_MS = 1000;
const SILENT_MS = 30000;    // three beats
const SUPERSEDED = 4000;
const MARK_GREY = [64, 64, 64];

let socket = null;
let order = null;       // what is to be shown
let begun = false;      // somebody has read the caution
let over = false;       // nothing more comes
let lock = null;        // keeps the display awake
let exact = false;      // the browser tells whole pixels of the display
let watch = null;       // goes off if nothing is heard for long
let drawing = 0;        // counts what was drawn, so that only the latest is told of

function say(event) {
  if (socket !== null && socket.readyState === WebSocket.OPEN) {
    socket.send(JSON.stringify(event));
  }
}

// Words are shown instead of stimuli as long as there is nothing to show: nothing bright is left standing.
function tell(state) {
  words.textContent = state;
  document.getElementById("before").hidden = begun || over;
  document.body.classList.toggle("showing", begun && !over && order !== null);
}

function fillsScreen() {
  const near = (page, screen) => Math.abs(page - screen) <= 1;
  return document.fullscreenElement !== null || (near(innerWidth, screen.width) && near(innerHeight, screen.height));
}

// The widest gamut that the browser takes the screen to have.
function gamut() {
  return ["rec2020", "p3", "srgb"].find((name) => matchMedia(`(color-gamut: ${name})`).matches) ?? null;
}

// A margin of whole pixels on both sides, so that the window is centred; at least a pixel of it is left.
function margin(full, share) {
  return Math.min(Math.round((full * (1 - share)) / 2), Math.floor((full - 1) / 2));
}

function colour([red, green, blue]) {
  return `rgb(${red}, ${green}, ${blue})`;
}

function ring([x, y]) {
  const [centre, middle] = [x * canvas.width, y * canvas.height];
  const radius = Math.min(canvas.width, canvas.height) / 12;
  pen.strokeStyle = "rgb(220, 220, 220)";
  pen.lineWidth = Math.max(2, Math.round(radius / 20));
  pen.beginPath();
  pen.arc(centre, middle, radius, 0, 2 * Math.PI);
  pen.moveTo(centre - radius, middle);
  pen.lineTo(centre + radius, middle);
  pen.moveTo(centre, middle - radius);
  pen.lineTo(centre, middle + radius);
  pen.stroke();
}

function draw() {
  if (order === null || !begun) {
    return;
  }
  tell(over ? "Done. This page can be closed." : "");
  const [width, height] = [canvas.width, canvas.height];
  const share = order.percent === undefined ? 1 : Math.sqrt(order.percent / 100);
  const [left, top] = [margin(width, share), margin(height, share)];
  const [inside, high] = [width - 2 * left, height - 2 * top];
  if (order.window !== undefined) {
    pen.fillStyle = colour(order.background);
    pen.fillRect(0, 0, width, height);
    pen.fillStyle = colour(order.window);
    pen.fillRect(left, top, inside, high);
  } else {
    pen.fillStyle = colour(MARK_GREY);
    pen.fillRect(0, 0, width, height);
    if (order.mark !== undefined) {
      ring(order.mark);
    }
  }
  const view = {
    width, height, left, top, window_width: inside, window_height: high,
    ratio: devicePixelRatio, fills: fillsScreen(), awake: lock !== null, exact,
    depth: screen.colorDepth, gamut: gamut(), hdr: matchMedia("(dynamic-range: high)").matches,
  };
  const [id, mine] = [order.id, ++drawing];
  // The second frame begins once the first has been handed over.
  requestAnimationFrame(() => requestAnimationFrame(() => {
    if (mine === drawing) {
      say({ event: "shown", id, view });
    }
  }));
}

async function stayAwake() {
  if (lock === null && navigator.wakeLock !== undefined && document.visibilityState === "visible") {
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
    } catch {
      lock = null;
    }
  }
}

async function begin() {
  if (over) {
    return;
  }
  if (document.fullscreenElement === null) {
    try {
      await document.documentElement.requestFullscreen({ navigationUI: "hide" });
    } catch {
      // It says that it doesn't fill the screen.
    }
  }
  await stayAwake();
  if (!begun) {
    begun = true;
    tell("Waiting for the first stimulus…");
    say({ event: "begun" });
  }
}

// Nothing bright is left standing where nobody is there to take it away.
function lose(line, state) {
  if (line !== socket || over) {
    return;
  }
  clearTimeout(watch);
  socket = null;
  order = null;
  drawing += 1;
  tell(state);
  line.close();
  setTimeout(connect, ANEW_MS);
}

// A cable that is pulled, or a machine that sleeps, closes no connection.
function hear(line) {
  clearTimeout(watch);
  watch = setTimeout(() => lose(line, "Nothing is heard any more. Connecting anew…"), SILENT_MS);
}

function connect() {
  const url = new URL("line", location.href);
  url.protocol = "ws:";
  const line = new WebSocket(url);
  socket = line;
  hear(line);
  line.addEventListener("open", () => {
    if (line === socket) {
      tell("Ready");
      say({ event: "here", begun });
    }
  });
  line.addEventListener("message", (message) => {
    if (line !== socket) {
      return;
    }
    hear(line);
    const told = JSON.parse(message.data);
    if (told.beat === true) {
      return;
    }
    order = told;
    over = order.end === true;
    draw();
    if (over && document.fullscreenElement !== null) {
      document.exitFullscreen().catch(() => {});
    }
  });
  line.addEventListener("close", (closed) => {
    if (line === socket && !over && closed.code === SUPERSEDED) {
      over = true;
      order = null;
      drawing += 1;
      tell("Another page shows the stimuli now. This one can be closed.");
    }
    lose(line, "The connection is lost. Connecting anew…");
  });
}

function fit(width, height) {
  if (canvas.width !== width || canvas.height !== height) {
    canvas.width = width;
    canvas.height = height;
  }
  draw();
}

// Whole pixels of the display, where the browser tells; else as near as can be computed.
const observer = new ResizeObserver(([entry]) => {
  const [box] = entry.devicePixelContentBoxSize ?? [];
  exact = box !== undefined && Math.abs(box.inlineSize - innerWidth * devicePixelRatio) <= 1;
  if (box !== undefined) {
    fit(box.inlineSize, box.blockSize);
  } else {
    fit(Math.round(innerWidth * devicePixelRatio), Math.round(innerHeight * devicePixelRatio));
  }
});
try {
  observer.observe(canvas, { box: "device-pixel-content-box" });
} catch {
  observer.observe(canvas);
}

document.addEventListener("click", begin);
document.addEventListener("keydown", (key) => {
  if (!["Escape", "Control", "Shift", "Alt", "Meta"].includes(key.key) && !/^F\d/.test(key.key)) {
    begin();
  }
});
document.addEventListener("contextmenu", (event) => event.preventDefault());
document.addEventListener("fullscreenchange", draw);
document.addEventListener("visibilitychange", async () => {
  if (document.visibilityState === "hidden") {
    say({ event: "hidden" });
  } else if (begun) {
    await stayAwake();
    draw();
  }
});
connect();
