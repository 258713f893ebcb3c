// A microscope or camera at the computer, live in the page, with hints on nearness, sharpness and light.

import { spoken } from "/static/language.js";
import { SIDE as WHOLE, nearness } from "./near.js";

const SIDE = 200;
let stream = null;
let timer = null;

/** Variance of the Laplacian over the middle of the picture, scaled to 0..1, and the light. */
export function measure(context, width, height) {
  const { data } = context.getImageData(0, 0, width, height);
  const grey = new Float32Array(width * height);
  let sum = 0;
  let burnt = 0;
  for (let i = 0; i < grey.length; i += 1) {
    const value = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
    grey[i] = value;
    sum += value;
    if (value > 250) burnt += 1;
  }
  let total = 0;
  let square = 0;
  let n = 0;
  for (let y = 1; y < height - 1; y += 1) {
    for (let x = 1; x < width - 1; x += 1) {
      const i = y * width + x;
      const edge = 4 * grey[i] - grey[i - 1] - grey[i + 1] - grey[i - width] - grey[i + width];
      total += edge;
      square += edge * edge;
      n += 1;
    }
  }
  const mean = sum / grey.length;
  const variance = square / n - (total / n) ** 2;
  const sharp = Math.sqrt(variance) / Math.max(mean, 12);
  return { sharp: Math.min(1, sharp / 0.25), mean, burnt: burnt / grey.length, grey };
}

/** Mean difference of two grey pictures, relative to their light: how much the hand moved. */
export function moved(before, now) {
  if (!before) return 1;
  let sum = 0;
  let light = 0;
  for (let i = 0; i < now.length; i += 1) { sum += Math.abs(now[i] - before[i]); light += now[i]; }
  return sum / Math.max(light, 1);
}

/** What to do next before the picture is taken, the most needed first. */
export function guidance(found, motion, near = "unknown") {
  const said = (steady, words) => ({ steady, words });
  if (found.burnt > 0.08) return said(false, spoken("Too bright: parts of the picture are white. Turn the lamp down."));
  if (found.mean < 50) return said(false, spoken("Too dark. Bring the lamp nearer."));
  if (motion > 0.06) return said(false, spoken("Hold still."));
  if (found.sharp < 0.35) return said(false, spoken("Not sharp yet: fill the ring with the cut and focus on it."));
  if (near === "nearer") return said(false, spoken("Come nearer: the cut seems to fill less than half of the ring."));
  if (near === "near") return said(true, spoken("Near enough, sharp, still, well lit: take it."));
  return said(true, spoken("Sharp, still, well lit: take it if the cut fills the ring."));
}

/** Says when to take the picture by itself: after a second of steady readings, once it may, and again
    only once another picture lies in the ring. */
export function shutter() {
  let steady = 0;
  let shot = null;
  return (now, grey, may = true) => {
    if (shot && moved(shot, grey) > 0.2) shot = null;
    steady = now ? steady + 1 : 0;
    if (shot || steady < 4 || !may) return false;
    shot = grey;
    return true;
  };
}

/** Show the camera in `video`; `meter`, `words` and `ring` guide the hand; `onSteady` when to take.
    `held` is why it is not taken by itself just now: null where it may be, else words, or none. */
export async function start({ video, select, meter, words, ring, onSteady, held }) {
  if (!navigator.mediaDevices?.getUserMedia) {
    throw new Error(spoken("This browser gives the page no camera. Open the page on this computer or over HTTPS."));
  }
  stop(video);
  const wanted = { width: { ideal: 2560 }, height: { ideal: 1920 } };
  if (select.value) wanted.deviceId = { exact: select.value };
  else wanted.facingMode = { ideal: "environment" };
  stream = await navigator.mediaDevices.getUserMedia({ video: wanted, audio: false });
  video.srcObject = stream;
  await video.play();
  const devices = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === "videoinput");
  const current = stream.getVideoTracks()[0].getSettings().deviceId;
  select.replaceChildren(...devices.map((device, i) => new Option(
    device.label || spoken("camera {n}", { n: i + 1 }), device.deviceId, false, device.deviceId === current)));
  const small = (side) => new OffscreenCanvas(side, side).getContext("2d", { willReadFrequently: true });
  const [context, whole] = [SIDE, WHOLE].map(small);
  whole.imageSmoothingQuality = "high";   // made a tenth as wide, a picture would show edges that are none
  const draw = (onto, from, side) => onto.drawImage(
    video, (video.videoWidth - from) / 2, (video.videoHeight - from) / 2, from, from, 0, 0, side, side);
  let before = null;
  const due = shutter();
  timer = setInterval(() => {
    if (!video.videoWidth) return;
    const side = Math.min(video.videoWidth, video.videoHeight);
    draw(context, side / 2, SIDE);
    draw(whole, side, WHOLE);
    const found = measure(context, SIDE, SIDE);
    meter.value = found.sharp;
    const motion = moved(before, found.grey);
    before = found.grey;
    const now = guidance(found, motion, nearness(whole));
    const why = held();
    words.textContent = (now.steady && why) || now.words;
    ring.classList.toggle("steady", now.steady);
    if (due(now.steady, found.grey, why === null)) onSteady();
  }, 250);
}

/** Let the camera go. */
export function stop(video) {
  clearInterval(timer);
  stream?.getTracks().forEach((track) => track.stop());
  stream = null;
  video.srcObject = null;
}

/** Whether the camera runs. */
export const running = () => stream !== null;

// A camera in the page writes no time into the picture; Exif (CIPA DC-008) has three fields for it.
function exif(at) {
  const two = (n) => String(n).padStart(2, "0");
  const day = [at.getUTCFullYear(), two(at.getUTCMonth() + 1), two(at.getUTCDate())].join(":");
  const clock = [at.getUTCHours(), at.getUTCMinutes(), at.getUTCSeconds()].map(two).join(":");
  const bytes = new Uint8Array(4 + 6 + 96);
  const view = new DataView(bytes.buffer);
  const text = (where, words) => bytes.set(new TextEncoder().encode(words), where);
  const entry = (where, tag, type, count, value) => {
    view.setUint16(where, tag, true);
    view.setUint16(where + 2, type, true);
    view.setUint32(where + 4, count, true);
    if (typeof value === "string") text(where + 8, value);
    else view.setUint32(where + 8, value, true);
  };
  const tiff = 10;
  view.setUint16(0, 0xffe1);
  view.setUint16(2, bytes.length - 2);
  text(4, "Exif");
  text(tiff, "II*");
  view.setUint32(tiff + 4, 8, true);
  view.setUint16(tiff + 8, 1, true);
  entry(tiff + 10, 0x8769, 4, 1, 26);                                                // Exif directory
  view.setUint16(tiff + 26, 3, true);
  entry(tiff + 28, 0x9003, 2, 20, 68);                                               // DateTimeOriginal
  entry(tiff + 40, 0x9011, 2, 7, 88);                                                // OffsetTimeOriginal
  entry(tiff + 52, 0x9291, 2, 4, String(at.getUTCMilliseconds()).padStart(3, "0"));  // SubSecTimeOriginal
  text(tiff + 68, `${day} ${clock}`);
  text(tiff + 88, "+00:00");
  return bytes;
}

/** The present picture at the camera's own size, as a JPEG that says when it was taken. */
export async function grab(video) {
  const at = new Date();
  const canvas = new OffscreenCanvas(video.videoWidth, video.videoHeight);
  canvas.getContext("2d").drawImage(video, 0, 0);
  const picture = await canvas.convertToBlob({ type: "image/jpeg", quality: 0.95 });
  return new Blob([picture.slice(0, 2), exif(at), picture.slice(2)], { type: "image/jpeg" });
}
