// Reads labels with the camera. The pages work without it: a code can be typed.
import decodeQR from "./vendor/qr/decode.js";

const WAIT_MS = 120;
// Long enough to find a label's code, small enough for an old phone.
const LONGEST_SIDE = 800;
// The browser's own reader gives no reason when it finds nothing: ours looks along from time to time.
const LOOKS_ALONG = 8;
// Below this many pixels of the camera's picture a module of the code is too small for sure reading.
const LEAST_MODULE_PX = 2.5;
const HINT_AFTER_MS = 4000;

// found(text) is called with each code that is read; it returns whether the camera goes on.
export function readWithCamera(section, found) {
  const [start, stop] = section.querySelectorAll("button");
  const video = section.querySelector("video");
  const said = section.querySelector("[role=status]");
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d", { willReadFrequently: true });
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
      // Small codes need the pixels; a camera that has fewer gives what it has.
      const wanted = { facingMode: "environment", width: { ideal: 1280 }, height: { ideal: 960 } };
      stream = await navigator.mediaDevices.getUserMedia({ video: wanted });
    } catch (error) {
      return end(error.name === "NotAllowedError" ? said.dataset.refused : said.dataset.none);
    }
    video.srcObject = stream;
    await video.play();
    video.hidden = stop.hidden = false;
    start.hidden = true;
    stop.focus();
    look(await findOwnReader());
  }

  function end(text) {
    stream?.getTracks().forEach((track) => track.stop());
    stream = video.srcObject = null;
    video.hidden = stop.hidden = true;
    start.hidden = start.disabled = false;
    said.textContent = text;
  }

  async function findOwnReader() {
    const own = window.BarcodeDetector && (await BarcodeDetector.getSupportedFormats());
    if (!own?.includes("qr_code")) return null;
    const detector = new BarcodeDetector({ formats: ["qr_code"] });
    return async () => (await detector.detect(video))[0]?.rawValue;
  }

  // Of the whole picture, made smaller, and in turn of its middle as it is: that reads a code twice as far away.
  function readPicture(isMiddle) {
    const longest = Math.max(video.videoWidth, video.videoHeight);
    const scale = Math.min(1, LONGEST_SIDE / longest);
    const part = isMiddle ? Math.min(1, scale) : 1;
    const [width, height] = [video.videoWidth * part, video.videoHeight * part];
    const size = isMiddle ? 1 : scale;
    canvas.width = Math.round(width * size);
    canvas.height = Math.round(height * size);
    const [left, top] = [(video.videoWidth - width) / 2, (video.videoHeight - height) / 2];
    context.drawImage(video, left, top, width, height, 0, 0, canvas.width, canvas.height);
    let modulePx = null;
    try {
      const options = { pointsOnDetect: (points) => (modulePx = findModulePx(points) / size) };
      return { text: decodeQR(context.getImageData(0, 0, canvas.width, canvas.height), options) };
    } catch {
      // A picture without a code is an error to the reader, and usual.
      return { modulePx };
    }
  }

  async function look(readOwn) {
    let seenAt = Date.now();
    for (let n = 0; stream; n += 1) {
      const own = readOwn && (await readOwn().catch(() => undefined));
      const { text, modulePx } = own ? { text: own } : readOwn && n % LOOKS_ALONG ? {} : readPicture(n % 2 === 1);
      if (text && stream) {
        seenAt = Date.now();
        if (!found(text, said)) return end("");
      } else if (modulePx) {
        said.textContent = modulePx < LEAST_MODULE_PX ? said.dataset.nearer : said.dataset.still;
      } else if (Date.now() - seenAt > HINT_AFTER_MS) {
        said.textContent = said.dataset.unseen;
      }
      await new Promise((done) => setTimeout(done, WAIT_MS));
    }
  }
}

function findModulePx(points) {
  return points && Math.min(points.tl.moduleSize, points.tr.moduleSize, points.bl.moduleSize);
}
