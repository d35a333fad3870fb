// An object store that promises nothing: it knows no conditions, believes every checksum, tells no versions. No real server: it is
// there to show that originals are right all the same. Prints its port; ends with its standard input.
import http from "node:http";

const objects = new Map();
const uploads = new Map();
let made = 0;

const all = async (request) => {
  const pieces = [];
  for await (const piece of request) pieces.push(piece);
  return Buffer.concat(pieces);
};

const server = http.createServer(async (request, response) => {
  const url = new URL(request.url, "http://store");
  const [bucket, ...rest] = url.pathname.slice(1).split("/");
  const key = rest.join("/");
  const asks = (name) => url.searchParams.has(name);
  const answer = (status, body = "", headers = {}) => {
    response.writeHead(status, { "content-length": Buffer.byteLength(body), ...headers });
    response.end(request.method === "HEAD" ? undefined : body);
  };
  const no = (status, code) => answer(status, `<Error><Code>${code}</Code></Error>`);
  const body = await all(request);
  if (bucket !== "originals") return no(404, "NoSuchBucket");
  if (asks("versions")) return no(501, "NotImplemented");
  if (request.method === "GET" && asks("uploads")) {
    const listed = [...uploads].filter(([, u]) => u.key.startsWith(url.searchParams.get("prefix") ?? ""));
    const each = listed.map(([id, u]) => `<Upload><Key>${u.key}</Key><UploadId>${id}</UploadId><StorageClass>STANDARD</StorageClass><Initiated>2026-01-01T00:00:00Z</Initiated></Upload>`);
    return answer(200, `<ListMultipartUploadsResult><Bucket>originals</Bucket><IsTruncated>false</IsTruncated>${each.join("")}</ListMultipartUploadsResult>`);
  }
  if (request.method === "GET" && asks("list-type")) {
    const prefix = url.searchParams.get("prefix") ?? "";
    const names = [...objects.keys()].filter((k) => k.startsWith(prefix)).sort();
    // Two at once, so that a list has pages.
    const from = Number(url.searchParams.get("continuation-token") ?? 0);
    const page = names.slice(from, from + 2).map((k) => `<Contents><Key>${k}</Key><LastModified>2026-01-01T00:00:00Z</LastModified><ETag>"x"</ETag><Size>${objects.get(k).length}</Size></Contents>`);
    const more = from + 2 < names.length;
    return answer(200, `<ListBucketResult><Name>originals</Name><Prefix>${prefix}</Prefix><MaxKeys>2</MaxKeys><IsTruncated>${more}</IsTruncated>${more ? `<NextContinuationToken>${from + 2}</NextContinuationToken>` : ""}${page.join("")}</ListBucketResult>`);
  }
  if (request.method === "POST" && asks("uploads")) {
    const id = `u${(made += 1)}`;
    uploads.set(id, { key, parts: new Map() });
    return answer(200, `<InitiateMultipartUploadResult><Bucket>originals</Bucket><Key>${key}</Key><UploadId>${id}</UploadId></InitiateMultipartUploadResult>`);
  }
  const upload = uploads.get(url.searchParams.get("uploadId"));
  if (asks("uploadId") && !upload) return no(404, "NoSuchUpload");
  if (request.method === "PUT" && upload) {
    upload.parts.set(Number(url.searchParams.get("partNumber")), body);
    return answer(200, "", { ETag: `"p${url.searchParams.get("partNumber")}"` });
  }
  if (request.method === "POST" && upload) {
    objects.set(key, Buffer.concat([...upload.parts].sort(([a], [b]) => a - b).map(([, part]) => part)));
    uploads.delete(url.searchParams.get("uploadId"));
    return answer(200, `<CompleteMultipartUploadResult><Bucket>originals</Bucket><Key>${key}</Key><ETag>"x"</ETag></CompleteMultipartUploadResult>`);
  }
  if (request.method === "DELETE" && upload) {
    uploads.delete(url.searchParams.get("uploadId"));
    return answer(204);
  }
  if (request.method === "PUT") {
    objects.set(key, body);
    return answer(200, "", { ETag: '"x"' });
  }
  if (request.method === "DELETE") {
    objects.delete(key);
    return answer(204);
  }
  const object = objects.get(key);
  if (!object) return no(404, "NoSuchKey");
  const range = /^bytes=(\d+)-(\d*)$/.exec(request.headers.range ?? "");
  if (!range || request.method === "HEAD") {
    response.writeHead(200, { "content-length": object.length });
    return response.end(request.method === "HEAD" ? undefined : object);
  }
  const [first, last] = [Number(range[1]), Math.min(Number(range[2] || object.length - 1), object.length - 1)];
  if (first > last) return no(416, "InvalidRange");
  response.writeHead(206, { "content-length": last - first + 1, "content-range": `bytes ${first}-${last}/${object.length}` });
  response.end(object.subarray(first, last + 1));
});

server.listen(0, "127.0.0.1", () => console.log(server.address().port));
process.stdin.on("end", () => process.exit(0)).resume();
