// A tone of our own while a high alarm is unacknowledged. Browsers let a page sound only after a tap: the key asks for it.
const KEPT = "wardian-sound";
const EVERY_MS = 4_000;
const TONES = [
  { at: 0, hertz: 660 },
  { at: 0.28, hertz: 880 },
  { at: 0.56, hertz: 660 },
];
const LENGTH_S = 0.22;
const LOUDNESS = 0.35;

/** @param {HTMLButtonElement[]} keys that switch it */
export function soundOf(keys) {
  if (keys.length === 0 || !window.AudioContext) return { ring: () => {} };
  let context = null;
  let wanted = read();
  let ringing = false;
  let timer = 0;
  let waits = false;

  for (const key of keys) {
    key.hidden = false;
    key.addEventListener("click", () => {
      // A first tap on a page that still waits for one only lets it sound.
      if (!waits) wanted = !wanted;
      keep(wanted);
      if (wanted) start(true);
      show();
      sound();
    });
  }
  // A page that remembers may sound after any tap or key; until then it says that it cannot.
  for (const name of ["pointerdown", "keydown"]) {
    document.addEventListener(name, () => {
      waits = wanted && !runs();
      if (waits) start(false);
    });
  }
  if (wanted) start(false);
  show();

  function runs() {
    return context?.state === "running";
  }

  function start(heard) {
    context ??= new AudioContext();
    context.onstatechange = () => {
      show();
      sound();
    };
    context.resume().then(() => {
      if (heard && !ringing) play();
    });
  }

  function show() {
    for (const key of keys) {
      key.setAttribute("aria-pressed", String(wanted));
      key.textContent = !wanted ? "Sound off" : runs() ? "Sound on" : "Sound waits for a tap";
      key.classList.toggle("is-waiting", wanted && !runs());
    }
  }

  function sound() {
    clearInterval(timer);
    const now = ringing && wanted && runs();
    document.body.dataset.sounding = String(now);
    if (!now) return;
    play();
    timer = setInterval(() => (wanted && runs() ? play() : sound()), EVERY_MS);
  }

  function play() {
    for (const { at, hertz } of TONES) {
      const begin = context.currentTime + at;
      const tone = new OscillatorNode(context, { type: "triangle", frequency: hertz });
      const volume = new GainNode(context, { gain: 0 });
      volume.gain.setValueAtTime(0, begin);
      volume.gain.linearRampToValueAtTime(LOUDNESS, begin + 0.02);
      volume.gain.setValueAtTime(LOUDNESS, begin + LENGTH_S - 0.04);
      volume.gain.linearRampToValueAtTime(0, begin + LENGTH_S);
      tone.connect(volume).connect(context.destination);
      tone.start(begin);
      tone.stop(begin + LENGTH_S);
    }
  }

  return {
    /** @param {boolean} on whether something calls */
    ring(on) {
      if (on === ringing) return;
      ringing = on;
      sound();
    },
  };
}

function read() {
  try {
    return localStorage.getItem(KEPT) === "on";
  } catch {
    return false;
  }
}

function keep(on) {
  try {
    localStorage.setItem(KEPT, on ? "on" : "off");
  } catch {
    // Where nothing can be kept, it is asked for anew each time.
  }
}
