/* Reads a label with the camera: by the browser's own detector where it has one, else by ZXing compiled to
   WebAssembly, which this server sends. No picture leaves the device. */
"use strict";
(() => {
  const box = document.getElementById("camera");
  if (!box || !navigator.mediaDevices?.getUserMedia) return;
  const start = box.querySelector("button");
  const video = box.querySelector("video");
  const told = box.querySelector("[role=status]");
  const form = document.getElementById("code-form");
  const EVERY_MS = 120;
  box.hidden = false;

  const load = () => new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = box.dataset.reader;
    script.onload = resolve;
    script.onerror = reject;
    document.head.append(script);
  });

  const reader = async () => {
    if ("BarcodeDetector" in window) {
      const kinds = await window.BarcodeDetector.getSupportedFormats();
      if (kinds.includes("qr_code")) {
        const native = new window.BarcodeDetector({ formats: ["qr_code"] });
        return async (canvas) => (await native.detect(canvas)).map((found) => found.rawValue);
      }
    }
    await load();
    window.ZXingWASM.prepareZXingModule({ overrides: { locateFile: () => box.dataset.wasm } });
    return async (canvas, context) => {
      const picture = context.getImageData(0, 0, canvas.width, canvas.height);
      const found = await window.ZXingWASM.readBarcodes(picture, { formats: ["QRCode"], maxNumberOfSymbols: 1 });
      return found.map((each) => each.text);
    };
  };

  const look = async (read) => {
    const canvas = document.createElement("canvas");
    const context = canvas.getContext("2d", { willReadFrequently: true });
    while (video.srcObject) {
      if (video.videoWidth) {
        canvas.width = video.videoWidth;
        canvas.height = video.videoHeight;
        context.drawImage(video, 0, 0);
        const [text] = await read(canvas, context);
        if (text) return text;
      }
      await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
    }
    return "";
  };

  const stop = () => {
    video.srcObject?.getTracks().forEach((track) => track.stop());
    video.srcObject = null;
    video.hidden = true;
    start.disabled = false;
  };

  start.addEventListener("click", async () => {
    start.disabled = true;
    told.textContent = "";
    try {
      video.srcObject = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      video.hidden = false;
      await video.play();
      told.textContent = box.dataset.looking;
      const text = await look(await reader());
      if (!text) return;
      told.textContent = box.dataset.found;
      form.elements.code.value = text;
      form.requestSubmit();
    } catch (fault) {
      told.textContent = fault.name === "NotAllowedError" ? box.dataset.denied : box.dataset.failed;
    } finally {
      stop();
    }
  });
  window.addEventListener("pagehide", stop);
})();
