// Opens the spool, place or part whose label the camera reads.
import { readWithCamera } from "./camera.js";

const form = document.querySelector("#code").form;
readWithCamera(document.querySelector("[data-camera]"), (text) => {
  form.elements.code.value = text;
  form.requestSubmit();
  return false;
});
