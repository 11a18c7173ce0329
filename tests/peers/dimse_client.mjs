// A client made of dcmjs-dimse, for the tests of our node.
//
//   node dimse_client.mjs '{"port": 11112, "called": "NODE", "do": "store", "files": [...]}'
//
// `do` is echo, store, find, get, move or commit. Prints one JSON object: the last status of every
// request, the answers to a question, the report of a commitment. What comes by C-GET is kept byte
// for byte in `folder`, as <SOP Instance UID>.<transfer syntax>.raw.

import fs from 'node:fs';
import path from 'node:path';
import dcmjsDimse from 'dcmjs-dimse';

const { Client, Dataset, Scp } = dcmjsDimse;
const { CEchoRequest, CFindRequest, CGetRequest, CMoveRequest, CStoreRequest, NActionRequest } =
  dcmjsDimse.requests;
const { CStoreResponse, NEventReportResponse } = dcmjsDimse.responses;
const { SopClass, Status } = dcmjsDimse.constants;
const { PresentationContext } = dcmjsDimse.association;

dcmjsDimse.log.setLevel('silent');
const options = JSON.parse(process.argv[2]);
const COMMITMENT = SopClass.StorageCommitmentPushModel;
const told = { statuses: [], answers: [], kept: [], report: null, error: null };

// The library hands over parsed data sets; their bytes are kept where it parses them.
const network = Object.getPrototypeOf(Scp).prototype;
const bytesOf = new WeakMap();
network.createDatasetFromStoreWritableStream = (stream, context, callback) => {
  const bytes = stream.toBuffer();
  const dataset = new Dataset(bytes, context.getAcceptedTransferSyntaxUid());
  bytesOf.set(dataset, bytes);
  callback(dataset);
};

/** A data set that goes out as the bytes that its file has. */
class AsItIs extends Dataset {
  constructor(file) {
    const dataset = Dataset.fromFile(file);
    super(dataset.getElements(), dataset.getTransferSyntaxUid());
    const whole = fs.readFileSync(file);
    // PS3.10 7.1: the length of the meta information stands in its first element.
    this.bytes = whole.subarray(144 + whole.readUInt32LE(140));
  }

  getDenaturalizedDataset() {
    return this.bytes;
  }
}

/** Requests of each kind. */
const KINDS = {
  echo: () => [new CEchoRequest()],
  store: () => options.files.map((file) => {
    const request = new CStoreRequest(options.anew ? Dataset.fromFile(file) : new AsItIs(file));
    return request;
  }),
  find: () => [{
    STUDY: CFindRequest.createStudyFindRequest,
    SERIES: CFindRequest.createSeriesFindRequest,
    IMAGE: CFindRequest.createImageFindRequest,
  }[options.level](options.keys)],
  get: () => [pick(CGetRequest, 'Get', [])],
  move: () => [pick(CMoveRequest, 'Move', [options.destination])],
  commit: () => {
    const request = new NActionRequest(COMMITMENT, `${COMMITMENT}.1`, 1);
    request.setDataset(new Dataset({
      TransactionUID: options.transaction,
      ReferencedSOPSequence: options.references.map(([ReferencedSOPClassUID, uid]) => (
        { ReferencedSOPClassUID, ReferencedSOPInstanceUID: uid }
      )),
    }));
    return [request];
  },
};

function pick(kind, word, first) {
  const names = [options.study, options.series, options.instance].filter(Boolean);
  const level = ['Study', 'Series', 'Image'][names.length - 1];
  return kind[`create${level}${word}Request`](...first, ...names);
}

const client = new Client();
for (const request of KINDS[options.do]()) {
  request.on('response', (response) => {
    const status = response.getStatus();
    if (status === Status.Pending && response.hasDataset()) {
      told.answers.push(response.getDataset().getElements());
    } else if (status !== Status.Pending) {
      told.statuses.push(status);
    }
  });
  client.addRequest(request);
}
for (const [name, syntax] of options.contexts ?? []) {
  client.addAdditionalPresentationContext(new PresentationContext(0, name, syntax), true);
}
client.on('cStoreRequest', (request, callback) => {
  const dataset = request.getDataset();
  const uid = request.getAffectedSopInstanceUid();
  const name = `${uid}.${dataset.getTransferSyntaxUid()}.raw`;
  fs.writeFileSync(path.join(options.folder, name), bytesOf.get(dataset));
  told.kept.push(uid);
  const response = CStoreResponse.fromRequest(request);
  response.setStatus(Status.Success);
  callback(response);
});
client.on('nEventReportRequest', (request, callback) => {
  told.report = { type: request.getEventTypeId(), ...request.getDataset().getElements() };
  const response = NEventReportResponse.fromRequest(request);
  response.setStatus(Status.Success);
  callback(response);
});
client.on('associationRejected', (answer) => { told.error = `rejected: ${JSON.stringify(answer)}`; });
client.on('networkError', (error) => { told.error = String(error); });
client.on('closed', () => console.log(JSON.stringify(told)));
const secured = options.authorities && {
  ca: fs.readFileSync(options.authorities),
  key: options.key && fs.readFileSync(options.key),
  cert: options.certificate && fs.readFileSync(options.certificate),
  rejectUnauthorized: true,
};
client.send('127.0.0.1', options.port, options.calling ?? 'DCMJS', options.called, {
  associationLingerTimeout: options.linger ?? 0,
  ...(secured ? { securityOptions: secured } : {}),
});
