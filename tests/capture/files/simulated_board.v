// An invented board for reading a simulator's dump: a counting processor and a ROM, with what dumps hold
// beside plain wires: a range that counts upward, an integer, a real, an event,
// a register of more than 64 bits, and dumping switched off, on again and repeated.
`timescale 1ns/100ps
module cpu(input clk, input [7:0] d, output reg [15:0] a, output reg nRD);
  parameter WIDTH = 16;
  reg [3:0] state;
  wire [0:3] mirrored = state;
  integer count;
  real level;
  event tick;
  initial begin a = 0; nRD = 1; state = 0; count = 0; level = 0.5; end
  always @(posedge clk) begin
    a <= a + 1; nRD <= ~nRD; state <= state + 3; count <= count + 1; level = level * 1.5; -> tick;
  end
endmodule
module rom(input [15:0] a, input nRD, output [7:0] d);
  reg [3:0] state;
  initial state = 9;
  assign #30 d = nRD ? 8'bz : a[7:0] ^ 8'h5a;
endmodule
module board;
  reg clk = 0;
  wire [15:0] A; wire [7:0] D; wire nRD; reg [129:0] long;
  cpu cpu(.clk(clk), .d(D), .a(A), .nRD(nRD));
  rom rom(.a(A), .nRD(nRD), .d(D));
  always #250 clk = ~clk;
  always @(posedge clk) long = {long, A};
  initial begin
    $dumpfile("board.vcd"); $dumpvars(0, board);
    #5000 $dumpoff; #3000 $dumpon; #1000 $dumpall; #5000 $finish;
  end
endmodule
