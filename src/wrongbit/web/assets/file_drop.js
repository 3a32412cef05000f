// A place to drop files, or to choose them; each is sent as it is, piece by piece, one after the other.
export default {
  template: `
    <div class="fd" :class="{ 'fd-over': over }" @dragenter.prevent="over = true" @dragover.prevent="over = true"
         @dragleave.self="over = false" @drop.prevent="dropped">
      <p><strong>Drop files here</strong>, or</p>
      <label class="wb-button wb-main fd-choose">
        <input ref="input" type="file" multiple class="fd-input" @change="chosen" aria-label="choose files" />
        Choose files
      </label>
      <ul class="fd-list" aria-live="polite">
        <li v-for="each in sending" :key="each.key">
          <span>{{ each.name }}</span>
          <progress :value="each.share" max="1" :aria-label="'sending ' + each.name"></progress>
          <span class="wb-mono">{{ Math.round(each.share * 100) }} %</span>
          <button type="button" class="wb-button wb-small" @click="stop(each)">Stop</button>
        </li>
      </ul>
    </div>`,
  props: { url: String },
  emits: ["failed"],
  data() {
    return { over: false, sending: [] };
  },
  created() {
    this.count = 0;
  },
  unmounted() {
    this.sending.forEach((each) => each.request && each.request.abort());
  },
  methods: {
    dropped(event) {
      this.over = false;
      this.add([...event.dataTransfer.files]);
    },
    chosen() {
      this.add([...this.$refs.input.files]);
      this.$refs.input.value = "";
    },
    add(files) {
      const idle = this.sending.length === 0;
      for (const file of files) {
        this.count += 1;
        this.sending.push({ key: this.count, name: file.name, share: 0, file, request: null });
      }
      if (idle) this.next();
    },
    next() {
      const item = this.sending[0];
      if (!item) return;
      const request = new XMLHttpRequest();
      item.request = request;
      request.open("POST", `${this.url}?name=${encodeURIComponent(item.name)}`);
      request.setRequestHeader("Content-Type", "application/octet-stream");
      request.upload.addEventListener("progress", (event) => {
        if (event.lengthComputable) item.share = event.total ? event.loaded / event.total : 1;
      });
      request.addEventListener("loadend", () => {
        if (request.status >= 400) this.$emit("failed", { name: item.name, why: request.responseText });
        else if (request.status === 0 && !item.stopped) this.$emit("failed", { name: item.name, why: "" });
        this.done(item.key);
      });
      request.send(item.file);
    },
    stop(item) {
      item.stopped = true;
      if (item.request) item.request.abort();
      else this.done(item.key);
    },
    done(key) {
      const first = this.sending[0] && this.sending[0].key === key;
      this.sending = this.sending.filter((each) => each.key !== key);
      if (first) this.next();
    },
  },
};
