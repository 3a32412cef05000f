// A board for the picorv32 core: 8 KB of memory that answers after 0 to 3 wait clocks, and writes a line for
// every transfer that it saw. All ports of the core's memory bus are dumped as VCD. Invented for these tests.
`timescale 1 ns / 1 ps

module board;
    reg clk = 0;
    always #5 clk = ~clk;

    reg resetn = 0;
    initial begin
        #83 resetn = 1;
    end

    wire        mem_valid, mem_instr, trap;
    reg         mem_ready = 0;
    wire [31:0] mem_addr, mem_wdata;
    wire [3:0]  mem_wstrb;
    reg  [31:0] mem_rdata = 32'hxxxx_xxxx;

    picorv32 cpu (
        .clk(clk), .resetn(resetn), .trap(trap),
        .mem_valid(mem_valid), .mem_instr(mem_instr), .mem_ready(mem_ready),
        .mem_addr(mem_addr), .mem_wdata(mem_wdata), .mem_wstrb(mem_wstrb), .mem_rdata(mem_rdata),
        .pcpi_wr(1'b0), .pcpi_rd(32'b0), .pcpi_wait(1'b0), .pcpi_ready(1'b0), .irq(32'b0)
    );

    reg [31:0] memory [0:2047];
    integer place, log, transfers = 0;
    reg [7:0] lottery = 8'h5a;
    reg [1:0] waits = 0;

    initial begin
        for (place = 0; place < 2048; place = place + 1) memory[place] = 0;
        $readmemh("rv32_exercise.hex", memory);
        log = $fopen("transfers.log");
        $dumpfile("bus.vcd");
        $dumpvars(1, board.cpu.clk, board.cpu.mem_valid, board.cpu.mem_instr, board.cpu.mem_ready,
                  board.cpu.mem_addr, board.cpu.mem_wdata, board.cpu.mem_wstrb, board.cpu.mem_rdata);
    end

    always @(posedge clk) begin
        lottery <= {lottery[6:0], lottery[7] ^ lottery[5] ^ lottery[4] ^ lottery[3]};
        mem_ready <= 0;
        mem_rdata <= 32'hxxxx_xxxx;
        if (mem_valid && !mem_ready) begin
            if (waits != 0) waits <= waits - 1;
            else begin
                waits <= lottery[1:0];
                mem_ready <= 1;
                if (mem_wstrb == 0) mem_rdata <= memory[mem_addr[12:2]];
                if (mem_wstrb[0]) memory[mem_addr[12:2]][7:0] <= mem_wdata[7:0];
                if (mem_wstrb[1]) memory[mem_addr[12:2]][15:8] <= mem_wdata[15:8];
                if (mem_wstrb[2]) memory[mem_addr[12:2]][23:16] <= mem_wdata[23:16];
                if (mem_wstrb[3]) memory[mem_addr[12:2]][31:24] <= mem_wdata[31:24];
            end
        end
        if (mem_valid && mem_ready) begin
            $fdisplay(log, "%0t %b %h %b %h", $time, mem_instr, mem_addr, mem_wstrb,
                      mem_wstrb == 0 ? mem_rdata : mem_wdata);
            transfers <= transfers + 1;
        end
        if (trap || transfers == 4000) $finish;
    end
endmodule
