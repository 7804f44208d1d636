// Builds ../static: page.js and page.css, index.html as it is, the licence texts of everything that got into the
// bundle, and the digest of the sources, by which a test tells that the committed bundle is of these sources.
import { build } from "esbuild";
import { createHash } from "node:crypto";
import { copyFile, mkdir, readFile, readdir, rm, writeFile } from "node:fs/promises";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = join(here, "..", "static");
await rm(out, { recursive: true, force: true });
await mkdir(out, { recursive: true });

const result = await build({
  absWorkingDir: here,
  entryPoints: { page: "src/main.ts" },
  outdir: out,
  bundle: true,
  minify: true,
  format: "esm",
  target: ["es2022"],
  charset: "ascii",
  legalComments: "none",
  metafile: true,
  logLevel: "warning",
  // The picture comes through the browser's own decoder: the readers of map formats stay out of the bundle.
  external: ["geotiff", "zarrita"],
});
await copyFile(join(here, "src", "index.html"), join(out, "index.html"));
await copyFile(join(here, "src", "icon.svg"), join(out, "icon.svg"));

const packages = new Set();
for (const path of Object.keys(result.metafile.inputs)) {
  const match = /node_modules\/((?:@[^/]+\/)?[^/]+)\//.exec(path);
  if (match) packages.add(match[1]);
}
const parts = ["The page is built with the following libraries. Each keeps its own licence.\n"];
for (const name of [...packages].sort()) {
  const folder = join(here, "node_modules", name);
  const facts = JSON.parse(await readFile(join(folder, "package.json"), "utf8"));
  const file = (await readdir(folder)).find((entry) => /^licen[cs]e/i.test(entry));
  if (!file) throw new Error(`${name} comes without its licence text`);
  const text = (await readFile(join(folder, file), "utf8")).trim();
  parts.push(`${"-".repeat(78)}\n${name} ${facts.version} (${facts.license})\n\n${text}\n`);
}
await writeFile(join(out, "licences.txt"), parts.join("\n"));

const sources = ["build.mjs", "package-lock.json", "package.json", "tsconfig.json"];
for (const entry of await readdir(join(here, "src"), { recursive: true, withFileTypes: true })) {
  if (entry.isFile()) sources.push(join("src", entry.parentPath.slice(join(here, "src").length), entry.name));
}
const digest = createHash("sha256");
for (const path of sources.map((p) => p.replaceAll("\\", "/")).sort()) {
  digest.update(`${path}\0`);
  digest.update(await readFile(join(here, path)));
  digest.update("\0");
}
await writeFile(join(out, "sources.sha256"), `${digest.digest("hex")}\n`);
