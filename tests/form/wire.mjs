// wire.mjs - what lies between a tablet and the daemon, on loopback: it can be cut, lose answers, be slow, count. The browser is told
// the wire's address; to the daemon it looks like a browser of its own.
import {readFileSync} from 'node:fs';
import http from 'node:http';
import path from 'node:path';
import {root} from './bedside.mjs';

const later = readFileSync(path.join(root, 'daemon/web/form/bundle'), 'utf8').split('later.js:')[1].trim().split('\n');
const types = {'.js': 'text/javascript; charset=utf-8', '.html': 'text/html; charset=utf-8'};

// .base; .cut = true: nobody answers; .lose = (request) => true: it arrives and its answer is lost; .delay in ms;
// .seen [{method, path, status, headers, body}]; .answers {path: (body, headers) => answer} in place of the daemon
export async function startWire(target) {
    const to = new URL(target);
    const wire = {cut: false, lose: () => false, delay: 0, seen: [], answers: {}};

    function own(request, response) {
        const name = new URL(request.url, target).pathname;
        if (name === '/later.js' && request.headers.referer?.includes('/form/')) { // asked for by the modules: the later ones as they stand
            response.writeHead(200, {'Content-Type': types['.js'], 'Cache-Control': 'no-store'});
            response.end(later.map((module) => `import '/form/${module}';`).join('\n'));
            return true;
        }
        if (name !== '/probe.html' && name !== '/probe.js' && !name.startsWith('/form/')) return false;
        const file = name.startsWith('/form/') ? path.join(root, 'daemon/web', name) : path.join(root, 'tests/form', name);
        response.writeHead(200, {'Content-Type': types[path.extname(file)], 'Cache-Control': 'no-store'});
        response.end(readFileSync(file));
        return true;
    }

    async function pass(request, response, body) {
        const seen = {method: request.method, path: request.url, headers: request.headers, body: body.toString(), status: 0};
        wire.seen.push(seen);
        if (wire.cut) return request.socket.destroy();
        if (wire.delay) await new Promise((done) => setTimeout(done, wire.delay));
        const instead = request.method === 'POST' && wire.answers[request.url];
        if (instead) {
            const {status = 200, json, headers = {}} = instead(JSON.parse(seen.body || '{}'), request.headers);
            response.writeHead(seen.status = status, {'Content-Type': 'application/json', ...headers});
            return response.end(JSON.stringify(json));
        }
        const headers = {...request.headers, host: to.host};
        if (headers.origin) headers.origin = target;
        const up = http.request({host: to.hostname, port: to.port, method: request.method, path: request.url, headers}, (answer) => {
            seen.status = answer.statusCode;
            seen.lost = wire.cut || wire.lose(seen);
            if (seen.lost) {
                answer.resume();
                return request.socket.destroy();
            }
            response.writeHead(answer.statusCode, answer.headers);
            return answer.pipe(response);
        });
        up.on('error', () => request.socket.destroy());
        return up.end(body);
    }

    const server = http.createServer((request, response) => {
        if (!wire.cut && own(request, response)) return;
        const pieces = [];
        request.on('data', (piece) => pieces.push(piece));
        request.on('end', () => pass(request, response, Buffer.concat(pieces)).catch(() => request.socket.destroy()));
    });
    await new Promise((done) => server.listen(0, '127.0.0.1', done));
    wire.base = `http://127.0.0.1:${server.address().port}`;
    wire.stop = () => {
        server.closeAllConnections();
        server.close();
    };
    return wire;
}
