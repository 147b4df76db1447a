/* Unpacks gzip (RFC 1952, RFC 1951) at once: an entry must be there before the page is printed. */
(function () {
  "use strict";
  var BASE = [3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99, 115, 131, 163, 195, 227, 258];
  var MORE = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
  var FAR = [1, 2, 3, 4, 5, 7, 9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257, 385, 513, 769, 1025, 1537, 2049, 3073, 4097, 6145, 8193, 12289, 16385, 24577];
  var FAR_MORE = [0, 0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 8, 9, 9, 10, 10, 11, 11, 12, 12, 13, 13];
  var ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
  var LONGEST = 15;

  /* For every 15 bits to come, first bit lowest: symbol and length of the code that they begin with. */
  function codes(lengths) {
    var count = new Uint16Array(LONGEST + 2), table = new Uint16Array(1 << LONGEST), next = 0;
    lengths.forEach(function (n) { count[n + 1] += n ? 1 : 0; });
    var first = new Uint16Array(LONGEST + 1);
    for (var n = 1; n <= LONGEST; n++) { next = (next + count[n]) << 1; first[n] = next; }
    lengths.forEach(function (length, symbol) {
      if (!length) return;
      var code = first[length]++, turned = 0;
      for (var k = 0; k < length; k++) turned |= ((code >> k) & 1) << (length - 1 - k);
      for (var at = turned; at < 1 << LONGEST; at += 1 << length) table[at] = symbol << 4 | length;
    });
    return table;
  }

  var plain = [];
  for (var s = 0; s < 288; s++) plain.push(s < 144 ? 8 : s < 256 ? 9 : s < 280 ? 7 : 8);
  var fixed = null;

  function inflate(data, at, size) {
    var out = new Uint8Array(size), to = 0, held = 0, bits = 0;

    function need(n) {
      while (bits < n) { held |= (data[at++] || 0) << bits; bits += 8; }
    }
    function take(n) {
      if (!n) return 0;
      need(n);
      var value = held & ((1 << n) - 1);
      held >>>= n; bits -= n;
      return value;
    }
    function symbol(table) {
      need(LONGEST);
      var found = table[held & ((1 << LONGEST) - 1)], n = found & 15;
      if (!n) throw new Error("a part of this page cannot be unpacked");
      held >>>= n; bits -= n;
      return found >> 4;
    }
    function stored() {
      at -= bits >> 3; held = 0; bits = 0;
      var n = data[at] | data[at + 1] << 8;
      out.set(data.subarray(at + 4, at + 4 + n), to);
      at += 4 + n; to += n;
    }
    function tables() {
      var literals = take(5) + 257, distances = take(5) + 1, orders = take(4) + 4, order = new Array(19).fill(0);
      for (var k = 0; k < orders; k++) order[ORDER[k]] = take(3);
      var how = codes(order), lengths = [];
      while (lengths.length < literals + distances) {
        var one = symbol(how), last = lengths[lengths.length - 1];
        if (one < 16) { lengths.push(one); continue; }
        var times = one === 16 ? 3 + take(2) : one === 17 ? 3 + take(3) : 11 + take(7);
        while (times--) lengths.push(one === 16 ? last : 0);
      }
      return [codes(lengths.slice(0, literals)), codes(lengths.slice(literals))];
    }
    function block(both) {
      for (;;) {
        var one = symbol(both[0]);
        if (one === 256) return;
        if (one < 256) { out[to++] = one; continue; }
        var n = BASE[one - 257] + take(MORE[one - 257]), far = symbol(both[1]);
        var from = to - FAR[far] - take(FAR_MORE[far]);
        while (n--) out[to++] = out[from++];
      }
    }
    for (var final = 0; !final;) {
      final = take(1);
      var kind = take(2);
      if (kind === 0) stored();
      else if (kind === 1) block(fixed || (fixed = [codes(plain), codes(new Array(30).fill(5))]));
      else block(tables());
    }
    return out;
  }

  /* Text from gzip in base64, as Python's gzip.compress writes it: a header of ten bytes. */
  window.waysapart.unpack = function (text) {
    var data = Uint8Array.from(atob(text), function (c) { return c.charCodeAt(0); }), end = data.length;
    var size = data[end - 4] | data[end - 3] << 8 | data[end - 2] << 16 | data[end - 1] << 24;
    return new TextDecoder().decode(inflate(data, 10, size));
  };
})();
