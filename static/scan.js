// Reads a label with the camera and opens the spool. The page works without it: the code can be typed.
import decodeQR from "./vendor/qr/decode.js";

const section = document.querySelector("[data-camera]");
const [start, stop] = section.querySelectorAll("button");
const video = section.querySelector("video");
const said = section.querySelector("[role=status]");
const WAIT_MS = 120;
// Long enough to find a label's code, small enough for an old phone.
const LONGEST_SIDE = 800;
let stream = null;

section.hidden = false;
if (!navigator.mediaDevices) {
  start.hidden = true;
  said.textContent = said.dataset.insecure;
}
start.addEventListener("click", begin);
stop.addEventListener("click", () => end(""));
addEventListener("pagehide", () => end(""));

async function begin() {
  start.disabled = true;
  said.textContent = "";
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch (error) {
    return end(error.name === "NotAllowedError" ? said.dataset.refused : said.dataset.none);
  }
  video.srcObject = stream;
  await video.play();
  video.hidden = stop.hidden = false;
  start.hidden = true;
  stop.focus();
  look(await reader());
}

function end(text) {
  stream?.getTracks().forEach((track) => track.stop());
  stream = video.srcObject = null;
  video.hidden = stop.hidden = true;
  start.hidden = start.disabled = false;
  said.textContent = text;
}

// What finds a code in the picture: the browser's own reader where it has one.
async function reader() {
  const own = window.BarcodeDetector && (await BarcodeDetector.getSupportedFormats());
  if (own?.includes("qr_code")) {
    const detector = new BarcodeDetector({ formats: ["qr_code"] });
    return async () => (await detector.detect(video))[0]?.rawValue;
  }
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d", { willReadFrequently: true });
  return async () => {
    const scale = Math.min(1, LONGEST_SIDE / Math.max(video.videoWidth, video.videoHeight));
    canvas.width = Math.round(video.videoWidth * scale);
    canvas.height = Math.round(video.videoHeight * scale);
    context.drawImage(video, 0, 0, canvas.width, canvas.height);
    return decodeQR(context.getImageData(0, 0, canvas.width, canvas.height));
  };
}

async function look(read) {
  while (stream) {
    // A picture without a code is an error to both readers, and usual.
    const text = await read().catch(() => undefined);
    if (text && stream) {
      end("");
      const form = document.querySelector("#code").form;
      form.elements.code.value = text;
      form.requestSubmit();
      return;
    }
    await new Promise((done) => setTimeout(done, WAIT_MS));
  }
}
